"""From a recorded sweep to a frequency response: find, average, window, transform.

Conventions
-----------
Time in s, frequency in Hz, the last axis is samples or frequency. Several sweeps in one recording
are averaged as complex responses, after each has been shifted onto the first. With a loopback
channel the response is divided by what the loopback says, except for the loopback's own gain, so
that the level stays that of microphone against excitation; time zero is then the moment at which
the signal left the converter. Without one, time zero is the first arrival.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from roomeq.analysis.deconvolution import ExcitationInverse, deconvolve, find_excitations
from roomeq.analysis.windowing import ImpulseWindow, apply_window, choose_window, window_values
from roomeq.levels import FloatArray, power_ratio_db, readonly
from roomeq.recording import ImpulseResponse, Recording
from roomeq.response import ComplexArray, FrequencyResponse

__all__ = ["SweepMeasurement", "estimate_sweep_response", "frequency_response"]

_LONGEST_SEGMENT = 8.0  # s after time zero
_BEFORE = 1.0  # s before time zero that is kept, unless distortion products lie there
_ONSET = 0.1  # first arrival: 20 dB below the strongest sample
_SEARCH = 0.1  # s before the strongest sample in which the first arrival is looked for
_LOOPBACK_WINDOW = ImpulseWindow(before=1.0, length=1.2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepMeasurement:
    """What one recording gives.

    Attributes
    ----------
    response : FrequencyResponse
        The windowed response, shape (F,), evenly spaced in frequency, with the signal-to-noise
        ratio where the recording lets it be told.
    impulse_response : ImpulseResponse
        The average before windowing.
    window : ImpulseWindow
        What was applied, with its length and lowest resolvable frequency.
    starts : tuple of float
        When time zero of each excitation lies, in s after the start of the recording.
    repeatability_db : ndarray, shape (F,), optional
        Standard deviation of the level between the sweeps (ddof 1); None for a single sweep.
    loopback_gain_db : float, optional
        Level mean of the loopback over the usable band, which was left in the response.
    notes : tuple of str
        What was done or assumed, in words.
    """

    response: FrequencyResponse
    impulse_response: ImpulseResponse
    window: ImpulseWindow
    starts: tuple[float, ...]
    repeatability_db: FloatArray | None
    loopback_gain_db: float | None
    notes: tuple[str, ...]


def estimate_sweep_response(
    recording: Recording,
    *,
    inverse: ExcitationInverse,
    loopback: Recording | None = None,
    window: ImpulseWindow | None = None,
) -> SweepMeasurement:
    """Return the response that a recording holds.

    Parameters
    ----------
    recording : Recording
        The microphone's channel.
    inverse : ExcitationInverse
        The excitation, prepared for this rate.
    loopback : Recording, optional
        The channel of the same recording into which the excitation was fed back.
    window : ImpulseWindow, optional
        Chosen from the measured decay by default.

    Raises
    ------
    MeasurementFileError
        If the excitation is not found in a channel.
    ValueError
        If rate or length of the recordings do not fit the inverse or each other.
    """
    _check(recording, loopback, inverse)
    deconvolved = deconvolve(recording.samples, inverse=inverse)
    if loopback is None:
        places = find_excitations(deconvolved, inverse=inverse, recording=recording)
        zeros = tuple(_first_arrival(deconvolved, place, inverse.low_rate) for place in places)
        references = None
    else:
        fed_back = deconvolve(loopback.samples, inverse=inverse)
        zeros = find_excitations(fed_back, inverse=inverse, recording=loopback)
        references = _segments(fed_back, zeros, inverse, recording.samples.size)
    whole = tuple(zero for zero in zeros if _is_whole(zero, recording, inverse))
    kept = whole or zeros[:1]
    segments = _segments(deconvolved, kept, inverse, recording.samples.size)
    gain_db = None
    if references is not None:
        chosen = [index for index, zero in enumerate(zeros) if zero in kept]
        segments, gain_db = _without_loopback(segments, references[chosen], inverse)
    averaged = _averaged(segments, inverse, absolute=loopback is not None)
    mean = replace(averaged, samples=averaged.samples.mean(axis=0))
    chosen_window = choose_window(mean) if window is None else window
    response = frequency_response(mean, window=chosen_window)
    return SweepMeasurement(
        response=_with_snr(response, mean, chosen_window, len(kept)),
        impulse_response=mean,
        window=chosen_window,
        starts=tuple(zero / inverse.low_rate for zero in kept),
        repeatability_db=_repeatability_db(averaged, chosen_window),
        loopback_gain_db=gain_db,
        notes=_notes(mean, chosen_window, len(zeros), len(whole), gain_db),
    )


def _check(recording: Recording, loopback: Recording | None, inverse: ExcitationInverse) -> None:
    for each in (recording,) if loopback is None else (recording, loopback):
        if each.sample_rate != inverse.sample_rate:
            raise ValueError(
                f"{each.place} has {each.sample_rate} Hz, the inverse was prepared for "
                f"{inverse.sample_rate} Hz"
            )
    if loopback is not None and loopback.samples.size != recording.samples.size:
        raise ValueError(
            "recording and loopback must be channels of one file, but differ in length"
        )


def _is_whole(zero: int, recording: Recording, inverse: ExcitationInverse) -> bool:
    last = inverse.last_lag(recording.samples.size) * inverse.low_rate
    return 0 <= zero <= last + 1


def _first_arrival(deconvolved: FloatArray, place: int, rate: float) -> int:
    """Return the first sample shortly before the strongest that is within 20 dB of it."""
    reach = round(_SEARCH * rate)
    near = np.abs(deconvolved[np.arange(place - reach, place + 1) % deconvolved.size])
    return place - reach + int(np.argmax(near >= _ONSET * near[-1]))


def _segments(
    deconvolved: FloatArray, zeros: tuple[int, ...], inverse: ExcitationInverse, frames: int
) -> FloatArray:
    """Return the stretch around each time zero, shape (sweeps, N), all equally long."""
    rate, before = inverse.low_rate, _before(inverse)
    # A sweep passes the highest frequency early; until the next one starts, what follows is room.
    passed = inverse.duration
    if inverse.sweep is not None:
        passed = min(passed, inverse.sweep.time_of(inverse.highest))
    last = zeros[-1] / rate
    ends = [*(zero / rate for zero in zeros[1:]), frames / inverse.sample_rate]
    after = min(end - zero / rate - passed for zero, end in zip(zeros, ends, strict=True))
    after = min(max(after, 0.05), _LONGEST_SEGMENT, deconvolved.size / rate - before - last)
    offsets = np.arange(-round(before * rate), max(8, math.floor(after * rate)))
    return deconvolved[(np.array(zeros)[:, np.newaxis] + offsets) % deconvolved.size]


def _before(inverse: ExcitationInverse) -> float:
    """Return how long before time zero is kept: half-way to the second harmonic at most."""
    if inverse.sweep is None:
        return _BEFORE
    return min(_BEFORE, 0.5 * inverse.sweep.harmonic_advance(2))


def _in_band(size: int, inverse: ExcitationInverse) -> slice:
    step = inverse.low_rate / size
    return slice(math.ceil(inverse.lowest / step), math.floor(inverse.highest / step) + 1)


def _without_loopback(
    segments: FloatArray, references: FloatArray, inverse: ExcitationInverse
) -> tuple[FloatArray, float]:
    """Return the segments divided by the loopback's shape, and the gain that was left in."""
    size, rate = references.shape[-1], inverse.low_rate
    zero = round(_before(inverse) * rate)
    times = (np.arange(size) - zero) / rate
    reach = replace(_LOOPBACK_WINDOW, length=min(_LOOPBACK_WINDOW.length, float(times[-1])))
    cut = references * window_values(times, window=reach)
    shape = np.fft.rfft(np.roll(cut, -zero, axis=-1))
    magnitude, band = np.abs(shape), _in_band(size, inverse)
    # Level mean over log frequency, so that the highest octave does not decide alone.
    weights = 1.0 / np.arange(band.start, band.stop)
    level = np.log(magnitude[:, band]).mean(axis=0)
    gain = math.exp(float(np.average(level, weights=weights)))
    floor = 1e-6 * gain**2  # far below the band; keeps the rest from blowing up
    ratio = gain * np.conj(shape) / np.maximum(magnitude**2, floor)
    ratio[magnitude < 1e-3 * gain] = 0.0
    return np.fft.irfft(np.fft.rfft(segments) * ratio, size), 20.0 * math.log10(gain)


def _averaged(
    segments: FloatArray, inverse: ExcitationInverse, *, absolute: bool
) -> ImpulseResponse:
    """Return the segments, each shifted onto the first, as one impulse response of several."""
    size = segments.shape[-1]
    if segments.shape[0] > 1:
        spectra = np.fft.rfft(segments)
        band = _in_band(size, inverse)
        bins = np.arange(spectra.shape[-1])
        for spectrum in spectra[1:]:
            turn = _turn_per_bin(spectrum[band] * np.conj(spectra[0, band]), bins[band])
            spectrum *= np.exp(-1j * turn * bins)
        segments = np.fft.irfft(spectra, size)
    return ImpulseResponse(
        samples=segments,
        sample_rate=inverse.low_rate,
        start=-round(_before(inverse) * inverse.low_rate) / inverse.low_rate,
        lowest=inverse.lowest,
        highest=inverse.highest,
        absolute_time=absolute,
    )


def _turn_per_bin(cross: ComplexArray, bins: np.ndarray[tuple[int], np.dtype[np.int64]]) -> float:
    """Return the phase slope of a cross spectrum: a delay within a few samples, in rad per bin."""
    # The strongest lag of the cross spectrum first, then the slope of what phase remains.
    size = 8 * int(bins[-1] + 1)
    spread = np.zeros(size, dtype=np.complex128)
    spread[bins] = cross
    coarse = -2.0 * np.pi * float(np.argmax(np.abs(np.fft.fft(np.conj(spread))))) / size
    coarse = (coarse + np.pi) % (2.0 * np.pi) - np.pi
    for _ in range(2):
        rest = cross * np.exp(-1j * coarse * bins)
        weight = np.abs(rest)
        coarse += float(np.sum(weight * bins * np.angle(rest)) / np.sum(weight * bins**2))
    return coarse


def frequency_response(
    impulse_response: ImpulseResponse, *, window: ImpulseWindow
) -> FrequencyResponse:
    """Return the spectrum of a windowed impulse response over its usable band.

    Evenly spaced, at least twice as dense as the window can resolve. The phase refers to the
    response's time zero; without absolute time it lacks the travel time.

    Raises
    ------
    ValueError
        If the window does not fit the response.
    """
    from scipy.fft import next_fast_len, rfft

    cut = apply_window(impulse_response, window=window)
    size = next_fast_len(2 * cut.samples.shape[-1], real=True)
    step = cut.sample_rate / size
    first, last = math.ceil(cut.lowest / step), math.floor(cut.highest / step)
    frequencies = step * np.arange(first, last + 1)
    spectrum = rfft(cut.samples, size)[..., first : last + 1]
    turned = spectrum * np.exp(-2j * np.pi * frequencies * cut.start)
    return FrequencyResponse.from_pressure(frequencies, turned, level_reference=cut.level_reference)


def _repeatability_db(several: ImpulseResponse, window: ImpulseWindow) -> FloatArray | None:
    if several.samples.shape[0] < 2:
        return None
    levels = frequency_response(several, window=window).level_db
    return readonly(np.std(levels, axis=0, ddof=1))


def _with_snr(
    response: FrequencyResponse, mean: ImpulseResponse, window: ImpulseWindow, sweeps: int
) -> FrequencyResponse:
    """Add the signal-to-noise ratio by third octave, from what follows the window.

    That stretch holds, for every frequency, what the microphone heard after the sweep had passed it
    and its decay had ended.
    """
    rate = mean.sample_rate
    begin = round((window.length - mean.start) * rate)
    rest = mean.samples[begin:]
    if rest.size < 0.25 * rate:
        return response
    taper = np.hanning(rest.size + 2)[1:-1]
    density = np.abs(np.fft.rfft(rest * taper)) ** 2 / np.sum(taper**2)
    values = window_values(mean.times[:begin], window=window)
    noise = np.interp(response.frequencies, np.fft.rfftfreq(rest.size, 1.0 / rate), density)
    noise = _third_octave_mean(response.frequencies, noise * float(np.sum(values**2)))
    signal = _third_octave_mean(response.frequencies, np.abs(response.pressure) ** 2)
    ratio = np.maximum(signal - noise, 1e-12 * signal) / np.maximum(noise, 1e-30 * signal)
    return replace(response, snr_db=power_ratio_db(ratio))


def _third_octave_mean(frequencies: FloatArray, power: FloatArray) -> FloatArray:
    """Return the mean over a third octave around each frequency of an evenly spaced axis."""
    prefix = np.concatenate(([0.0], np.cumsum(power)))
    low = np.searchsorted(frequencies, frequencies * 10**-0.05)
    high = np.searchsorted(frequencies, frequencies * 10**0.05, side="right")
    return np.asarray((prefix[high] - prefix[low]) / (high - low))


def _notes(
    mean: ImpulseResponse, window: ImpulseWindow, found: int, whole: int, gain_db: float | None
) -> tuple[str, ...]:
    notes = [
        f"window {window.length:.3f} s ({window.basis}), flat for {window.flat:.3f} s; lowest "
        f"resolvable frequency {window.lowest_resolvable:.2f} Hz"
    ]
    if not window.covers_decay and math.isfinite(window.decay_time):
        notes.append(
            f"the window is shorter than the decay of {window.decay_time:.2f} s asks for: peaks of "
            "long-ringing modes read too low"
        )
    if gain_db is None:
        notes.append("no loopback: time counts from the first arrival, so there is no travel time")
    else:
        notes.append(f"time and shape by the loopback; its gain of {gain_db:.2f} dB is left in")
    if found > 1:
        notes.append(f"{max(whole, 1)} of {found} sweeps averaged after alignment in time")
    if whole < found:
        notes.append(f"{found - whole} of {found} sweeps are cut at an end of the recording")
    return tuple(notes)
