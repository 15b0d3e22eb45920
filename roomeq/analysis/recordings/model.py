"""A recording explained by its sweep: what the model says, and what it leaves over.

Conventions
-----------
The recording is brought to a *wide* rate of at least 6 kHz, which carries the bass and its
harmonics, and from there to the *low* rate of the inverse. Arrays at the low rate have time zero at
the start of the recording, shape (N,); lags are circular as in
`roomeq.analysis.sweeps.deconvolution`. The *residual* is the recording minus the excitation
convolved with the estimated response and with its harmonic responses of order 2 to 5, within the
usable band of the sweep. At a given moment it says nothing about the frequencies that the model
explains then: those that the sweep or one of its harmonics is passing, or has passed less than the
window's length ago.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.analysis.sweeps.deconvolution import (
    FADE_ABOVE,
    ExcitationInverse,
    decimate,
    deconvolve,
    prepare_inverse,
)
from roomeq.analysis.sweeps.excitation import Excitation
from roomeq.analysis.sweeps.response import frequency_response
from roomeq.analysis.sweeps.segments import Segments, cut_segments
from roomeq.analysis.sweeps.windowing import (
    ImpulseWindow,
    choose_steady_window,
    choose_window,
    window_values,
)
from roomeq.base.errors import MeasurementFileError
from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.base.recording import ImpulseResponse, Recording, SweepDescription

ORDERS = (2, 3, 4, 5)
_MORE_ORDERS = tuple(range(2, 13))
_WIDE_PASSBAND = 1800.0  # Hz
_LEAST_EXPLAINED = 1.5  # s
_WIDEST = 0.3  # of the wide rate: passband of its filter


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordingView:
    """A recording at the wide rate, and with its excitation taken out.

    Attributes
    ----------
    recording : Recording
        As it was read.
    wide : Recording
        The same at the wide rate.
    inverse : ExcitationInverse
        Of what was played, for the wide rate.
    deconvolved : ndarray, shape (fft_length,)
        From `deconvolve`.
    """

    recording: Recording
    wide: Recording
    inverse: ExcitationInverse
    deconvolved: FloatArray

    @property
    def excitation(self) -> Excitation:
        """What should be in it."""
        return self.inverse.excitation


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepModel:
    """What the sweep explains of a recording.

    Attributes
    ----------
    view : RecordingView
        What was looked at.
    segments : Segments
        The responses that were cut out.
    frequencies, spectrum : ndarray, shape (F,)
        The windowed mean response over the usable band.
    impulse_response : ImpulseResponse
        Their mean, each shifted onto the first.
    window : ImpulseWindow
        Over which a response counts as such.
    explained : ImpulseWindow
        The same, longer where the end of the recording cuts the window.
    starts : tuple of float
        When each sweep begins to be heard, in s; negative where the recording began later.
    band_signal, residual : ndarray, shape (N,)
        The recording within the sweep's band, and what the model leaves over, at the low rate.
    left : ndarray of bool, shape (fft_length,)
        Lags at which the residual still holds what the recording held.
    """

    view: RecordingView
    segments: Segments
    frequencies: FloatArray
    spectrum: ComplexArray
    impulse_response: ImpulseResponse
    window: ImpulseWindow
    explained: ImpulseWindow
    starts: tuple[float, ...]
    band_signal: FloatArray
    residual: FloatArray
    left: NDArray[np.bool_]

    @property
    def recording(self) -> Recording:
        """As it was read."""
        return self.view.recording

    @property
    def low_rate(self) -> float:
        """Hz."""
        return self.view.inverse.low_rate

    @property
    def band(self) -> tuple[float, float]:
        """Usable band, in Hz."""
        return self.view.inverse.lowest, self.view.inverse.highest

    def instant_of(self, frequency: float) -> float:
        """Return when the sweep passes a frequency, in s after its start, held to its ends."""
        excitation = self.view.excitation
        return min(max(float(excitation.time_of(frequency)), 0.0), excitation.duration)

    def played(self, seconds: tuple[float, float]) -> tuple[float, float]:
        """Return from what to what sweeps run between two times of the recording, in Hz.

        Held to their ends.
        """
        begun = np.maximum(np.searchsorted(self.starts, seconds, side="right") - 1, 0)
        since = np.array(seconds) - np.array(self.starts)[begun]
        low, high = self.view.excitation.frequency_at(since).tolist()
        return low, high


def view_recording(recording: Recording, *, played: SweepDescription | Recording) -> RecordingView:
    """Return a recording at the wide rate and deconvolved.

    Raises
    ------
    ValueError
        If the rate of the recording cannot carry the sweep's lowest octave.
    """
    samples, rate = recording.samples, recording.sample_rate
    factor = max(1, int(rate * _WIDEST / _WIDE_PASSBAND))
    while rate % factor:  # the greatest that leaves a whole rate which carries the passband
        factor -= 1
    low = decimate(samples, factor=factor)
    wide = replace(recording, samples=low, sample_rate=rate // factor)
    inverse = prepare_inverse(
        played,
        sample_rate=wide.sample_rate,
        frames=wide.samples.size,
        highest=_WIDEST * wide.sample_rate / FADE_ABOVE,
    )
    return RecordingView(
        recording=recording,
        wide=wide,
        inverse=inverse,
        deconvolved=deconvolve(wide.samples, inverse=inverse),
    )


def model_sweep(view: RecordingView) -> SweepModel | None:
    """Return what the sweep explains of a recording; None where the sweep is not found in it."""
    try:
        segments = cut_segments(view.wide, inverse=view.inverse, deconvolved=view.deconvolved)
    except MeasurementFileError:
        return None
    mean = segments.mean
    plain = choose_window(mean)
    window = choose_steady_window(mean, plain=plain)
    explained = window
    if plain.basis == "available":  # a cut recording: the earlier frequencies ring on in it
        explained = replace(window, length=max(window.length, _LEAST_EXPLAINED))
    weight = _unexplained(view, segments.starts, explained, ORDERS)
    response = frequency_response(mean, window=window, least=mean.samples.size)
    return SweepModel(
        view=view,
        segments=segments,
        frequencies=response.frequencies,
        spectrum=response.pressure,
        impulse_response=mean,
        window=window,
        explained=explained,
        starts=segments.starts,
        band_signal=_convolved(view, view.deconvolved),
        residual=_convolved(view, view.deconvolved * weight),
        left=weight > 0.5,
    )


def explain_clipping(model: SweepModel) -> SweepModel:
    """Return a model that explains the harmonics of what clips too, up to order 12."""
    weight = _unexplained(model.view, model.starts, model.explained, _MORE_ORDERS)
    residual = _convolved(model.view, model.view.deconvolved * weight)
    return replace(model, residual=residual, left=weight > 0.5)


def _unexplained(
    view: RecordingView, starts: tuple[float, ...], window: ImpulseWindow, orders: tuple[int, ...]
) -> FloatArray:
    """Return how much of each lag is left over: 0 within the responses, 1 away from them."""
    rate, length = view.inverse.low_rate, view.inverse.fft_length
    weight = np.ones(length)
    orders = orders if view.excitation.growth > 0 else ()
    for start in starts:
        for ahead in (0.0, *(view.excitation.harmonic_advance(order) for order in orders)):
            zero = start - ahead
            first, last = (zero - window.before) * rate, (zero + window.length) * rate
            index = np.arange(math.ceil(first), math.floor(last) + 1)[:length]
            values = 1.0 - window_values(index / rate - zero, window=window)
            index %= length
            weight[index] = np.minimum(weight[index], values)
    return weight


def _convolved(view: RecordingView, deconvolved: ArrayLike) -> FloatArray:
    """Return what a deconvolved signal makes of the sweep, within the usable band, shape (N,)."""
    from scipy.fft import irfft, rfft

    inverse = view.inverse
    step = inverse.low_rate / inverse.fft_length
    used = slice(math.ceil(inverse.lowest / step), math.floor(inverse.highest / step) + 1)
    whole = rfft(np.asarray(deconvolved))
    spectrum = np.zeros_like(whole)
    spectrum[used] = whole[used] / inverse.spectrum[used]
    frames = -(-view.wide.samples.size // inverse.factor)
    return np.asarray(irfft(spectrum, inverse.fft_length)[:frames])
