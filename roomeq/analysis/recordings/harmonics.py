"""Harmonics of loudspeaker and amplifier that an exponential sweep sets apart.

Conventions
-----------
A harmonic of order n lies ``L ln n`` ahead of the response, whatever the formula of the sweep.
Frequency in Hz is that of the fundamental; the total is the root of the summed squares of orders 2
to 5, each a mean over an octave, over the fundamental as heard there or, where that is louder, over
the sweep as heard at the harmonic.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import ORDERS, SweepModel
from roomeq.analysis.recordings.noise import NoiseLevels
from roomeq.analysis.sweeps.distortion import harmonic_window
from roomeq.base.levels import FloatArray

LEAST_TOTAL = 0.1
"""Total distortion from which on it is a finding."""
_PER_OCTAVE = 3
_OVER_NOISE = 4.0  # power
_FAINT = 10.0**-2  # of the strongest power: there the box, not the drive, makes the ratio


def distortion_findings(model: SweepModel, totals: list[tuple[float, float]]) -> Iterator[Finding]:
    """Return where total distortion reaches 10 %, from what `total_distortion` says."""
    bent = [one for one in totals if one[1] >= LEAST_TOTAL]
    if not bent:
        return
    centre, total = max(bent, key=lambda one: one[1])
    what = (
        f"total distortion reaches {100 * total:.0f} % in the octave around {centre:.0f} Hz: "
        "loudspeaker or amplifier is overdriven"
    )
    code, value, band = FindingCode.DISTORTION, 100.0 * total, (bent[0][0], bent[-1][0])
    sure, heard = confidence_of(total / LEAST_TOTAL), model.recording
    yield Finding.of(code, Severity.WARNING, heard, what, sure, band=band, value=value)


def total_distortion(model: SweepModel, noise: NoiseLevels) -> Iterator[tuple[float, float]]:
    """Return centre and total distortion of octaves, three to an octave, as far as it is told."""
    excitation = model.view.excitation
    if not excitation.growth > 0:
        return
    axis, pressure = model.frequencies, model.spectrum
    own = np.abs(pressure) ** 2
    centres = np.array([band.centre for band in noise.bands])
    floor = np.nan_to_num(noise.floor) / len(model.starts)
    harmonics = {order: _harmonic(model, order) for order in ORDERS}
    first, last = math.log2(model.band[0]), math.log2(model.band[1] / 4.0)
    for start in np.arange(first, last, 1.0 / _PER_OCTAVE):
        low, high = 2.0**start, 2.0 ** (start + 1.0)
        fundamental = float(own[(axis >= low) & (axis < high)].mean())
        if fundamental < _FAINT * own.max():
            continue
        total = 0.0
        for order, (grid, power, energy) in harmonics.items():
            inside = (grid >= order * low) & (grid < min(order * high, model.band[1]))
            if inside.any():
                near = (centres >= 0.9 * grid[inside][0]) & (centres <= 1.1 * grid[inside][-1])
                quiet = energy * float(floor[near].mean()) if near.any() else 0.0
                mean = float(power[inside].mean())
                # A mode at the harmonic, or a dip at the fundamental, is no distortion.
                there = own[(axis >= grid[inside][0]) & (axis <= grid[inside][-1])]
                whole = max(fundamental, float(there.mean()) if there.size else 0.0)
                total += (mean - quiet) / whole if mean > _OVER_NOISE * quiet else 0.0
        yield low * 2**0.5, math.sqrt(total)


def _harmonic(model: SweepModel, order: int) -> tuple[FloatArray, FloatArray, float]:
    """Return frequencies, power and the window's energy of one harmonic, mean over the sweeps."""
    excitation, rate = model.view.excitation, model.low_rate
    ahead = excitation.harmonic_advance(order)
    values, rise = harmonic_window(order, excitation, rate)
    size = values.size
    lags = model.view.deconvolved
    power = np.zeros(size // 2 + 1)
    for start in model.starts:
        place = round((start - ahead) * rate) - rise
        cut = lags[np.arange(place, place + size) % lags.size] * values
        power += np.abs(np.fft.rfft(cut)) ** 2 / len(model.starts)
    axis = rate / size * np.arange(power.size, dtype=np.float64)
    return axis, np.asarray(power), float(values @ values)
