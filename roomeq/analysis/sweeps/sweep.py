"""The synchronised exponential sweep and its closed-form inverse.

Novak, Lotton and Simon, "Synchronized swept-sine: theory, application, and implementation",
J. Audio Eng. Soc. 63(10), 2015, pp. 786-798.

Conventions
-----------
Samples are fractions of full scale, shape (N,). Spectra are those of the discrete Fourier transform
(sums, not integrals) with ``exp(-j omega t)``; time zero is the first sample of the sweep.
Frequencies are in Hz, shape (F,).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray
from roomeq.base.recording import SweepDescription

if TYPE_CHECKING:
    from roomeq.base.levels import ComplexArray

SWEEP_CAUTIONS = (
    "Turn the volume down before the first sweep, then raise it in steps.",
    "Stop at once when the driver bottoms audibly (a click, a slap or a knock).",
    "Do not play full level below the corner of the protective high-pass: the driver's excursion "
    "grows fourfold for every octave downwards at constant level.",
    "Wear hearing protection at high levels. A-weighted meters under-read bass, by 50 dB at 20 Hz: "
    "a low reading does not mean a low level.",
    "Keep people, and above all ears, away from the cone while a sweep plays.",
)
"""What a person must know before playing the file."""


def exposure_minutes(level_dba: float) -> float:
    """Return how long a day one may be exposed to a level, in minutes.

    NIOSH recommended exposure limit: 85 dBA for 8 hours, 3 dB exchange rate.
    """
    return float(480.0 / 2.0 ** ((level_dba - 85.0) / 3.0))


def sweep_signal(
    sweep: SweepDescription, *, sample_rate: int | None = None, order: int = 1
) -> FloatArray:
    """Return the sweep proper, with its fades and at its level.

    ``x(t) = A sin(2 pi f1 L (exp(t / L) - 1))`` (Farina 2000; where f1 L is whole, Novak et al.
    2015, eq. 47). The formula is continuous in time, so that a recording at any rate has its own
    exact excitation. Where that rate cannot carry the highest frequencies, the sweep ends at 0.48
    times the rate.

    Parameters
    ----------
    sweep : SweepDescription
        What to make.
    sample_rate : int, optional
        In Hz; the sweep's own by default.
    order : int
        1 for the sweep; n for its n-th harmonic, ``A sin(n phase)`` with the fades to the n-th
        power, which is what a distortion of that order adds.

    Returns
    -------
    ndarray, shape (N,)
        Fractions of full scale.

    Raises
    ------
    ValueError
        If the rate cannot carry even the start.
    """
    rate = sweep.sample_rate if sample_rate is None else sample_rate
    carried = 0.48 * rate / order
    if carried <= 2 * sweep.start:
        raise ValueError(
            f"{rate} Hz cannot carry order {order} of a sweep that starts at {sweep.start:g} Hz"
        )
    frames, end = round(sweep.duration * rate), sweep.duration
    if sweep.stop > carried and (rate < sweep.sample_rate or order > 1):
        end = sweep.time_of(carried)
        frames = round(end * rate)
    turns = np.exp(np.arange(frames) / (rate * sweep.growth))
    turns *= 2.0 * np.pi * sweep.periods * order
    turns -= 2.0 * np.pi * math.fmod(sweep.periods, 1.0) * order
    # Fades are functions of time, not of samples, so that every rate has the same sweep.
    times = np.arange(frames) / rate
    signal = sweep.amplitude * np.sin(turns)
    for away, length in ((times, sweep.fade_in), (end - times, sweep.fade_out)):
        near = away < length
        signal[near] *= _fade_values(away[near], length) ** order
    return np.asarray(signal)


def _fade_values(away: FloatArray, length: float) -> FloatArray:
    """Return a raised cosine: 0 at the end of a signal, 1 from `length` (in s) away from it."""
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(away / length, 0.0, 1.0))


def playback_signal(sweep: SweepDescription) -> FloatArray:
    """Return all that is played: quiet noise, silence, then sweep and tail for each repeat.

    Returns
    -------
    ndarray, shape (channels, N)
        Fractions of full scale; the channels that do not carry the sweep are silent.
    """
    rate = sweep.sample_rate
    quiet = [quiet_noise(sweep), np.zeros(round(sweep.pause * rate))]
    once = [sweep_signal(sweep), np.zeros(round(sweep.tail * rate))]
    carried = np.concatenate(quiet + once * sweep.repeats)
    signal = np.zeros((sweep.channels, carried.size))
    signal[sweep.channel - 1] = carried
    return signal


def quiet_noise(sweep: SweepDescription) -> FloatArray:
    """Return the lead-in: pink noise within the sweep's band, the same every time."""
    rate = sweep.sample_rate
    if not sweep.lead_in:
        return np.zeros(0)
    frames = round(sweep.lead_in * rate)
    frequencies = np.fft.rfftfreq(frames, 1.0 / rate)
    inside = (frequencies >= sweep.start) & (frequencies <= sweep.stop)
    spectrum = np.zeros(frequencies.size, dtype=np.complex128)
    turns = np.random.default_rng(1).uniform(0.0, 2.0 * np.pi, int(inside.sum()))
    spectrum[inside] = np.exp(1j * turns) / np.sqrt(frequencies[inside])
    noise = np.fft.irfft(spectrum, frames)
    level_dbfs = sweep.level_dbfs if sweep.lead_in_level_dbfs is None else sweep.lead_in_level_dbfs
    noise *= 10.0 ** (level_dbfs / 20.0) / math.sqrt(2.0) / np.sqrt(np.mean(noise**2))
    times = np.arange(frames) / rate
    noise *= _fade_values(np.minimum(times, times[::-1]), 0.5)
    return np.asarray(noise)


def closed_form_inverse(
    frequencies: ArrayLike, *, sweep: SweepDescription, sample_rate: float
) -> ComplexArray:
    """Return the closed-form inverse spectrum of the sweep.

    ``2 sqrt(f / L) exp(-j 2 pi f L (1 - ln(f / f1)) + j pi / 4)`` (Novak et al. 2015, eq. 51),
    scaled to sums over samples and to the sweep's amplitude. It continues beyond the sweep's last
    frequency, which is what separates harmonics that lie there; near the ends of the sweep it
    ripples, because the sweep starts and stops.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz, not negative; the inverse is 0 at 0 Hz.
    sweep : SweepDescription
        The sweep.
    sample_rate : float
        Rate of the spectrum that the inverse will be multiplied with, in Hz.

    Returns
    -------
    ndarray, shape (F,)
        Complex.
    """
    axis = np.asarray(frequencies, dtype=np.float64)
    growth = sweep.growth
    safe = np.where(axis > 0, axis, sweep.start)
    phase = -2.0 * np.pi * safe * growth * (1.0 - np.log(safe / sweep.start)) + np.pi / 4.0
    phase += 2.0 * np.pi * math.fmod(sweep.periods, 1.0)
    magnitude = 2.0 * np.sqrt(axis / growth) / (sample_rate * sweep.amplitude)
    return np.asarray(magnitude * np.exp(1j * phase))
