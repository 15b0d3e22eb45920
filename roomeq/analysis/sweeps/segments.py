"""Cut the responses to each sweep out of a recording, put them on one another.

Conventions
-----------
Time in s. Segments are rows, shape (sweeps, N), with time zero at the same sample in each. With a
loopback channel each segment is divided by what its own loopback says, except for the loopback's
gain, so that the level stays that of microphone against excitation and time zero is the moment at
which the signal left the converter. Without one, time zero is the first arrival.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from roomeq.analysis.sweeps.deconvolution import (
    BEFORE,
    LONGEST_DECAY,
    ExcitationInverse,
    deconvolve,
    find_excitations,
)
from roomeq.analysis.sweeps.windowing import ImpulseWindow, window_values
from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.base.recording import ImpulseResponse, Recording

_SHORTEST = 0.05  # s after time zero, whatever the recording holds
_ENOUGH = 3.5  # s after time zero: decays of 2 s
_ONSET = 0.1  # first arrival: within 20 dB of the strongest sample
_ABOVE_NOISE = 6.0  # and this much above the median of what lies before it
_SEARCH = 0.1  # s before the strongest sample in which the first arrival is looked for
_LOOPBACK_WINDOW = ImpulseWindow(before=1.0, length=1.2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Segments:
    """What was cut out of one recording.

    Attributes
    ----------
    several : ImpulseResponse
        Responses, each shifted onto the first; samples of shape (sweeps, N).
    shifts, errors : ndarray, shape (sweeps,)
        How much later than the first each lay, a fraction of a sample where need be, with standard
        deviations, in s.
    starts : tuple of float
        Time zero of each, in s after the start of the recording.
    found, cut_short : int
        How many sweeps were found, and how many of them an end of the recording cuts; these are
        left out unless there is no other.
    loopback_gain_db : float, optional
        Level mean of the loopback over the usable band, which was left in; None without a loopback.
    """

    several: ImpulseResponse
    shifts: FloatArray
    errors: FloatArray
    starts: tuple[float, ...]
    found: int
    cut_short: int
    loopback_gain_db: float | None

    @property
    def mean(self) -> ImpulseResponse:
        """The mean of all responses, shape (N,)."""
        return replace(self.several, samples=self.several.samples.mean(axis=0))


def cut_segments(
    recording: Recording,
    *,
    inverse: ExcitationInverse,
    loopback: Recording | None = None,
    deconvolved: FloatArray | None = None,
) -> Segments:
    """Return the response to each sweep of a recording.

    Parameters
    ----------
    recording : Recording
        The microphone's channel.
    inverse : ExcitationInverse
        The excitation, prepared for this rate.
    loopback : Recording, optional
        The channel of the same recording into which the excitation was fed back.
    deconvolved : ndarray, shape (fft_length,), optional
        What `deconvolve` makes of the recording, where that is known already.

    Raises
    ------
    MeasurementFileError
        If the excitation is not found in a channel.
    ValueError
        If rate or length of the recordings do not fit the inverse or each other.
    """
    _check(recording, loopback, inverse)
    lags = deconvolve(recording.samples, inverse=inverse) if deconvolved is None else deconvolved
    timing, located = recording, lags
    if loopback is not None:
        timing, located = loopback, deconvolve(loopback.samples, inverse=inverse)
    places = find_excitations(located, inverse=inverse, recording=timing)
    if loopback is None:
        places = tuple(_first_arrival(located, place, inverse.low_rate) for place in places)
    last = (recording.duration - inverse.duration) * inverse.low_rate + 1
    whole = tuple(place for place in places if 0 <= place <= last)
    zeros = whole or places[:1]
    before, after = _bounds(zeros, inverse, recording.samples.size)
    kept = (np.array(zeros)[:, np.newaxis] + np.arange(-before, after)) % lags.size
    segments, gain_db = lags[kept], None
    if loopback is not None:
        segments, gain_db = _without_loopback(segments, located[kept], before, inverse)
    rate, instants = inverse.low_rate, inverse.excitation.instants
    shifts, errors = _shifts(segments, inverse)
    several = ImpulseResponse(
        samples=_shifted(segments, shifts * rate),
        sample_rate=rate,
        start=-before / rate,
        lowest=inverse.lowest,
        highest=inverse.highest,
        absolute_time=loopback is not None,
        told=(inverse.excitation.axis, recording.duration - zeros[-1] / rate - instants),
    )
    return Segments(
        several=several,
        shifts=shifts,
        errors=errors,
        starts=tuple(zero / rate for zero in zeros),
        found=len(places),
        cut_short=len(places) - len(whole),
        loopback_gain_db=gain_db,
    )


def _check(recording: Recording, loopback: Recording | None, inverse: ExcitationInverse) -> None:
    rate = inverse.excitation.sample_rate
    for each in (recording,) if loopback is None else (recording, loopback):
        if each.sample_rate != rate:
            raise ValueError(
                f"{each.place} has {each.sample_rate} Hz, the inverse was prepared for {rate} Hz"
            )
    if loopback is not None and loopback.samples.size != recording.samples.size:
        raise ValueError("recording and loopback are not channels of one file: lengths differ")


def _first_arrival(deconvolved: FloatArray, place: int, rate: float) -> int:
    """Return the first sample near the strongest that is within 20 dB of it, and no noise."""
    reach = round(_SEARCH * rate)
    near = np.abs(deconvolved[np.arange(place - reach, place + 1) % deconvolved.size])
    threshold = max(_ONSET * near[-1], min(_ABOVE_NOISE * float(np.median(near)), 0.7 * near[-1]))
    return place - reach + int(np.argmax(near >= threshold))


def _bounds(zeros: tuple[int, ...], inverse: ExcitationInverse, frames: int) -> tuple[int, int]:
    """Return how many samples before and after time zero belong to every segment.

    A sweep passes the highest frequency before it ends; from there until the next sweep, or the end
    of the recording, what is heard is the room. Before time zero lie the distortion products. Where
    that is short the lower frequencies, which were passed earlier, go on telling the room up to
    where the sixth order of the next sweep lies, or to the end of the recording.
    """
    rate, excitation, before = inverse.low_rate, inverse.excitation, BEFORE
    passed = min(inverse.duration, float(excitation.time_of(inverse.highest)))
    if excitation.growth > 0:
        before = min(before, 0.5 * excitation.harmonic_advance(2))
    starts = np.array(zeros) / rate
    whole = frames / inverse.factor / rate - float(starts[-1])
    apart = float(np.min(np.diff(starts), initial=math.inf))
    after = min(apart, whole) - passed
    if after < _ENOUGH:
        if excitation.growth > 0:
            apart -= excitation.harmonic_advance(6)
        after = min(_ENOUGH, max(after, min(apart, whole)))
    after = min(max(after, _SHORTEST), LONGEST_DECAY, inverse.fft_length / rate - before)
    return round(before * rate), max(8, math.floor(after * rate))


def _without_loopback(
    segments: FloatArray, references: FloatArray, zero: int, inverse: ExcitationInverse
) -> tuple[FloatArray, float]:
    """Return the segments divided by the loopback's shape, and the gain that was left in."""
    size, rate = references.shape[-1], inverse.low_rate
    times = (np.arange(size) - zero) / rate
    reach = replace(_LOOPBACK_WINDOW, length=min(_LOOPBACK_WINDOW.length, float(times[-1])))
    cut = references * window_values(times, window=reach)
    shape = np.fft.rfft(np.roll(cut, -zero, axis=-1))
    magnitude, band = np.abs(shape), _in_band(size, inverse)
    # Level mean over log frequency, so that the highest octave does not decide alone.
    weights = 1.0 / np.arange(band.start, band.stop)
    level = np.log(magnitude[:, band]).mean(axis=0)
    gain = math.exp(float(np.average(level, weights=weights)))
    # Far below the band nothing is left, instead of blowing up.
    ratio = np.divide(gain, shape, out=np.zeros_like(shape), where=magnitude >= 1e-3 * gain)
    return np.fft.irfft(np.fft.rfft(segments) * ratio, size), 20.0 * math.log10(gain)


def _in_band(size: int, inverse: ExcitationInverse) -> slice:
    step = inverse.low_rate / size
    return slice(math.ceil(inverse.lowest / step), math.floor(inverse.highest / step) + 1)


def _shifts(segments: FloatArray, inverse: ExcitationInverse) -> tuple[FloatArray, FloatArray]:
    """Return how much later than the first each segment lies, with standard deviations, in s.

    The slope of the phase between two responses.
    """
    size, spectra = segments.shape[-1], np.fft.rfft(segments)
    band = _in_band(size, inverse)
    bins = np.arange(band.start, band.stop, dtype=np.float64)
    rows = [(0.0, 0.0)]
    for spectrum in spectra[1:]:
        cross = spectrum[band] * np.conj(spectra[0, band])
        # The strongest lag first, then the slope of what phase remains.
        lags = np.abs(np.fft.ifft(np.pad(cross, (band.start, 0)), 8 * band.stop))
        turn = -2.0 * math.pi * np.fft.fftfreq(lags.size)[int(np.argmax(lags))]
        rows.append(phase_slope(cross, bins, turn, rounds=2))
    turns, errors = np.array(rows).T * (size / inverse.low_rate / (2.0 * math.pi))
    return -turns, errors


def _shifted(segments: FloatArray, earlier: FloatArray) -> FloatArray:
    """Return each segment earlier by some samples, or fractions of one."""
    size = segments.shape[-1]
    turn = np.exp(2j * np.pi * np.outer(earlier, np.fft.rfftfreq(size)))
    return np.asarray(np.fft.irfft(np.fft.rfft(segments) * turn, size))


def phase_slope(
    cross: ComplexArray, axis: FloatArray, slope: float, *, rounds: int = 3
) -> tuple[float, float]:
    """Return the slope of the phase of a cross spectrum from near it, and its standard deviation.

    Least squares of what phase remains, weighted by the magnitude. In rad per unit of the axis.
    """
    weight, error = np.abs(cross) * axis, math.inf
    bottom = float(np.sum(weight * axis))
    for _ in range(rounds):
        away = weight * np.angle(cross * np.exp(-1j * slope * axis))
        slope += float(np.sum(away)) / bottom
        error = math.sqrt(float(np.sum(away**2))) / bottom
    return slope, error
