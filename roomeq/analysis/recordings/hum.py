"""Hum of the mains at 50 or 60 Hz and its harmonics.

Conventions
-----------
Frequency in Hz, levels in dBFS (AES17) or in dB relative to the sweep while it passes that
frequency. Each line is looked for where the sweep has passed it and the room has decayed, so that
low lines have most of the recording to show themselves. A line is a peak too narrow for a room: all
its power lies within the main lobe of the window (Hann), and the bins around it tell the noise. The
power of a sine of amplitude a under a Hann window w is ``a**2 / 4 * N * sum(w**2)`` summed over the
main lobe, whatever the frequency between the bins.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import SweepModel
from roomeq.analysis.sweeps.windowing import tapered_power
from roomeq.base.levels import FloatArray

MAINS = (50.0, 60.0)
_TOLERANCE = 0.004  # of the frequency: mains and recorder together
_SHORTEST = 1.0  # s
_LOBE = 2  # bins on either side of the peak
_SIGNIFICANT = 20.0  # peak over mean power nearby; noise alone: exp(-20) in each bin
_LEAST_RELATIVE_DB = -60.0
"""Hum further than this below the sweep is not worth a word."""
_HARMFUL_DB = -40.0
_MOST_HARMONICS = 12
_AROUND = 0.12  # of ln f: the sweep there is the median over a third of an octave
_EVEN = 256  # lengths that are whole multiples of it are quick to transform


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """Lines of one mains frequency.

    Attributes
    ----------
    mains : float
        50 or 60 Hz.
    frequencies : tuple of float
        Lines that stand out, in Hz.
    levels_dbfs, relative_db : tuple of float
        Level of each, in dBFS and in dB relative to the sweep there.
    margin : float
        Of the clearest line: its peak over what counts as significant.
    """

    mains: float
    frequencies: tuple[float, ...]
    levels_dbfs: tuple[float, ...]
    relative_db: tuple[float, ...]
    margin: float


def estimate_hum(model: SweepModel) -> Hum | None:
    """Return the hum of the mains frequency that shows more of it; None where none shows.

    Lines that belong to both (300 Hz, 600 Hz) do not decide.
    """
    families = []
    for mains in MAINS:
        orders = mains * np.arange(1, _MOST_HARMONICS + 1)
        inside = orders[(orders > model.band[0]) & (orders < model.band[1] - 8.0)]
        looked_for = [_line(model, frequency) for frequency in inside.tolist()]
        lines = [line for line in looked_for if line is not None]
        own = [line for line in lines if line[0] % 300.0 > 0]
        if own:
            families.append((sum(line[1] ** 2 for line in own), mains, lines))
    if not families:
        return None
    _, mains, lines = max(families)
    axis, pressure = model.frequencies, model.spectrum
    magnitude = np.abs(pressure)
    near = [np.abs(np.log(axis / line[0])) < _AROUND for line in lines]
    amplitude = model.view.excitation.amplitude * np.array(
        [np.median(magnitude[one]) for one in near]
    )
    levels = np.array([line[1] for line in lines])
    return Hum(
        mains=mains,
        frequencies=tuple(line[0] for line in lines),
        levels_dbfs=tuple((20.0 * np.log10(levels)).tolist()),
        relative_db=tuple((20.0 * np.log10(levels / amplitude)).tolist()),
        margin=max(line[2] for line in lines),
    )


def _line(model: SweepModel, frequency: float) -> tuple[float, float, float] | None:
    """Return frequency, amplitude and margin of a line; None where none stands out."""
    rate = model.low_rate
    passed = max(model.starts[-1], 0.0) + model.instant_of(frequency) + model.window.length
    part = model.residual[round(passed * rate) :]
    part = part[: part.size // _EVEN * _EVEN]
    if part.size < _SHORTEST * rate:
        return None
    power, energy = tapered_power(part)
    step = rate / part.size
    reach = max(1, math.ceil(_TOLERANCE * frequency / step))
    centre = round(frequency / step)
    near = slice(centre - reach, centre + reach + 1)
    at = near.start + int(np.argmax(power[near]))
    lobe = slice(at - _LOBE, at + _LOBE + 1)
    wide = max(12, round(4.0 / step))
    around = np.concatenate((power[max(1, at - wide) : at - _LOBE], power[at + _LOBE + 1 :][:wide]))
    # The mean of an exponential law from its median, so that a neighbouring line does not matter.
    noise = float(np.median(around)) / math.log(2.0)
    margin = float(power[at]) / max(noise, 1e-300) / _SIGNIFICANT
    inside = float(power[lobe].sum()) - noise * (2 * _LOBE + 1)
    if margin < 1.0 or inside <= 0.0 or not _steady(part, at * step, rate):
        return None
    return frequency, math.sqrt(4.0 * inside / (part.size * energy)), margin


def _steady(part: FloatArray, frequency: float, rate: float) -> bool:
    """Return whether both halves hold the line within 6 dB: what decays is the room."""
    half = part.size // 2
    turn = np.exp(-2j * np.pi * frequency / rate * np.arange(half)) * np.hanning(half)
    early, late = abs(part[:half] @ turn), abs(part[half : 2 * half] @ turn)
    return bool(0.5 * early < late < 2.0 * early)


def hum_findings(model: SweepModel, hum: Hum | None) -> Iterator[Finding]:
    """Return the hum that is less than 60 dB below the sweep; a warning above -40 dB."""
    if hum is None:
        return
    heard = [index for index, level in enumerate(hum.relative_db) if level >= _LEAST_RELATIVE_DB]
    if not heard:
        return
    worst = max(heard, key=lambda index: hum.relative_db[index])
    names = ", ".join(f"{hum.frequencies[index]:g}" for index in heard)
    yield Finding.of(
        FindingCode.HUM,
        Severity.WARNING if hum.relative_db[worst] > _HARMFUL_DB else Severity.NOTE,
        model.view.recording,
        f"hum of {hum.mains:g} Hz mains at {names} Hz; the worst, at "
        f"{hum.frequencies[worst]:g} Hz, has {hum.levels_dbfs[worst]:.0f} dBFS, "
        f"{hum.relative_db[worst]:.0f} dB relative to the sweep there",
        confidence=confidence_of(hum.margin),
        band=(hum.frequencies[heard[0]], hum.frequencies[heard[-1]]),
        value=hum.relative_db[worst],
    )
