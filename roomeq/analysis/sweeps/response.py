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
from functools import partial

import numpy as np

from roomeq.analysis.sweeps.calibration import MicrophoneSensitivity, calibrated_response
from roomeq.analysis.sweeps.deconvolution import ExcitationInverse
from roomeq.analysis.sweeps.segments import Segments, cut_segments
from roomeq.analysis.sweeps.windowing import (
    ImpulseWindow,
    apply_window,
    band_means,
    choose_steady_window,
    choose_window,
    tapered_power,
)
from roomeq.base.levels import power_ratio_db
from roomeq.base.recording import ImpulseResponse, Recording
from roomeq.base.response import FrequencyResponse

_LEAST_REST = 0.25  # s


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
    loopback_gain_db : float, optional
        Level mean of the loopback over the usable band, which was left in the response.
    notes : tuple of str
        What was done or assumed, in words.
    """

    response: FrequencyResponse
    impulse_response: ImpulseResponse
    window: ImpulseWindow
    starts: tuple[float, ...]
    loopback_gain_db: float | None
    notes: tuple[str, ...]


def estimate_sweep_response(
    recording: Recording,
    *,
    inverse: ExcitationInverse,
    loopback: Recording | None = None,
    window: ImpulseWindow | None = None,
    sensitivity: MicrophoneSensitivity | None = None,
    disturbed: bool = False,
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
    sensitivity : MicrophoneSensitivity, optional
        Makes the response dB SPL at the recorded drive level; without it, it stays relative.
    disturbed : bool
        Whether something else was heard besides the sweep. It spreads over the response and looks
        like decay: the window is then held to what the early decay asks for.

    Raises
    ------
    MeasurementFileError
        If the excitation is not found in a channel.
    ValueError
        If rate or length of the recordings do not fit the inverse or each other, or the gain was
        not the same for calibration and sweep.
    """
    cuts = cut_segments(recording, inverse=inverse, loopback=loopback)
    mean = cuts.mean
    if sensitivity is not None:
        drive_rms = inverse.excitation.amplitude / math.sqrt(2.0)
        mean = calibrated_response(mean, sensitivity=sensitivity, drive_rms=drive_rms)
    if window is None:
        window = choose_window(mean)
        if disturbed:
            window = choose_steady_window(mean, plain=window, disturbed=True)
    response = frequency_response(mean, window=window)
    return SweepMeasurement(
        response=_with_snr(response, mean, window),
        impulse_response=mean,
        window=window,
        starts=cuts.starts,
        loopback_gain_db=cuts.loopback_gain_db,
        notes=_notes(window, cuts, sensitivity),
    )


def frequency_response(
    impulse_response: ImpulseResponse, *, window: ImpulseWindow, least: int | None = None
) -> FrequencyResponse:
    """Return the spectrum of a windowed impulse response over its usable band.

    Evenly spaced, at least twice as dense as the window can resolve, or by at least as many samples
    as are asked for. The phase refers to the response's time zero; without absolute time it lacks
    the travel time.

    Raises
    ------
    ValueError
        If the window does not fit the response.
    """
    from scipy.fft import next_fast_len, rfft

    cut = apply_window(impulse_response, window=window)
    size = next_fast_len(least or 2 * cut.samples.shape[-1], real=True)
    step = cut.sample_rate / size
    first, last = math.ceil(cut.lowest / step), math.floor(cut.highest / step)
    frequencies = step * np.arange(first, last + 1)
    spectrum = rfft(cut.samples, size)[..., first : last + 1]
    turned = spectrum * np.exp(-2j * np.pi * frequencies * cut.start)
    return FrequencyResponse.from_pressure(frequencies, turned, level_reference=cut.level_reference)


def _with_snr(
    response: FrequencyResponse, mean: ImpulseResponse, window: ImpulseWindow
) -> FrequencyResponse:
    """Add the signal-to-noise ratio by third octave, from what follows the window.

    That stretch holds, for every frequency, what the microphone heard after the sweep had passed it
    and its decay had ended.
    """
    rate = mean.sample_rate
    begin = round((window.length - mean.start) * rate)
    rest = mean.samples[begin : begin + round(max(1.0, window.length) * rate)]
    if rest.size < _LEAST_REST * rate:
        return response
    power, energy = tapered_power(rest)
    axis = response.frequencies
    centres = np.geomspace(axis[0], axis[-1], 200)
    means = partial(band_means, lower=centres * 10**-0.05, upper=centres * 10**0.05)
    noise = means(power / energy, step=rate / rest.size) * window.energy * rate
    signal = means(np.abs(response.pressure) ** 2, first=axis[0], step=axis[1] - axis[0])
    signal = np.maximum(signal, 1e-200)  # digital silence has neither
    ratio = np.maximum(signal - noise, 1e-12 * signal) / np.maximum(noise, 1e-30 * signal)
    told = mean.told_until(centres * 10**0.05) >= window.length + _LEAST_REST
    if not told.any():
        return response
    snr_db = np.interp(axis, centres[told], power_ratio_db(ratio[told]))
    return replace(response, snr_db=snr_db)


def _notes(
    window: ImpulseWindow, cuts: Segments, sensitivity: MicrophoneSensitivity | None
) -> tuple[str, ...]:
    notes = [
        f"window {window.length:.3f} s ({window.basis}), flat for {window.flat:.3f} s; lowest "
        f"resolvable frequency {window.lowest_resolvable:.2f} Hz"
    ]
    if window.basis == "early decay":
        notes.append(
            "the late decay is not the room's: something else was heard, so the window is held to "
            "what the early decay asks for"
        )
    if not window.covers_decay and math.isfinite(window.decay_time):
        notes.append(
            f"the window is shorter than the decay of {window.decay_time:.2f} s asks for: peaks of "
            "long-ringing modes read too low"
        )
    gain_db = cuts.loopback_gain_db
    if gain_db is None:
        notes.append("no loopback: time counts from the first arrival, so there is no travel time")
    else:
        notes.append(f"time and shape by the loopback; its gain of {gain_db:.2f} dB is left in")
    if cuts.found > 1:
        notes.append(f"{len(cuts.starts)} of {cuts.found} sweeps averaged after alignment in time")
    if cuts.cut_short:
        notes.append(f"{cuts.cut_short} of {cuts.found} are cut at an end of the recording")
    level = "no calibration: the level is relative"
    if sensitivity is not None:
        said = sensitivity.description
        level = f"dB SPL at the recorded drive level, by {said}; same gain: stated"
    return (*notes, level)
