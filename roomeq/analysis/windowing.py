"""The window that cuts an impulse response out of its surroundings.

Conventions
-----------
Times are in s relative to the response's time zero. The window rises before time zero, is flat from
there on, and falls as a raised cosine over the last fifth of its length; `length` counts from time
zero. A window that tapers while a room mode still rings lowers the mode's peak: half a second costs
2 to 5 dB where a mode rings for 1 to 2 s, so the flat part follows the measured decay.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from roomeq.analysis.decay import Decay, estimate_decay
from roomeq.analysis.decimation import choose_decimation, decimate
from roomeq.levels import FloatArray
from roomeq.recording import ImpulseResponse

__all__ = ["ImpulseWindow", "apply_window", "choose_window"]

FLAT_PER_DECAY = 1.2
"""The window is flat for at least this much of the longest decay time."""

_LONGEST_PER_DECAY = 2.0  # beyond, a decay has fallen by 120 dB
_SHORTEST_FLAT = 0.25  # s
_FLAT_WITHOUT_DECAY = 1.0  # s; common practice, no source
_BEFORE = 0.5  # s; the band's edges ring this long ahead of time zero
_HIGHEST_DECAY = 725.0  # Hz; just above the octave at 500 Hz
_BASES = ("decay", "noise", "available", "assumed", "given")


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpulseWindow:
    """A window.

    Attributes
    ----------
    before : float
        How long before time zero it begins, in s; it rises over the first half of that.
    length : float
        From time zero to its end, in s; the last fifth is the taper.
    decay_time : float
        The longest decay time it was chosen for, in s; nan where none could be measured.
    basis : {"decay", "noise", "available", "assumed", "given"}
        What set the length: the decay time; the time at which the decay meets the noise; what the
        recording holds (then it may be too short); an assumption, because no decay could be
        measured; the caller.

    Raises
    ------
    ValueError
        If a time is negative or not finite, the length is zero, or the basis is not known.
    """

    before: float
    length: float
    decay_time: float = math.nan
    basis: Literal["decay", "noise", "available", "assumed", "given"] = "given"

    def __post_init__(self) -> None:
        if not (0 <= self.before < math.inf and 0 < self.length < math.inf):
            raise ValueError(f"needs finite times, got {self.before!r} and {self.length!r}")
        if self.basis not in _BASES:
            raise ValueError(f"basis is one of {_BASES}, got {self.basis!r}")

    @property
    def flat(self) -> float:
        """How long it is flat after time zero, in s."""
        return 0.8 * self.length

    @property
    def taper(self) -> float:
        """How long it falls, in s."""
        return 0.2 * self.length

    @property
    def energy(self) -> float:
        """Integral of the window's square, in s: 3/8 of each raised cosine (arithmetic)."""
        return 0.5 * self.before + self.flat + 0.375 * (0.5 * self.before + self.taper)

    @property
    def lowest_resolvable(self) -> float:
        """Lowest frequency of which it holds a whole period, in Hz; details finer merge."""
        return 1.0 / self.length

    @property
    def covers_decay(self) -> bool:
        """Whether it is flat for at least 1.2 times the decay time; False where that is unknown."""
        return bool(self.flat >= FLAT_PER_DECAY * self.decay_time * (1.0 - 1e-9))


def choose_window(
    impulse_response: ImpulseResponse, *, decay: Decay | None = None
) -> ImpulseWindow:
    """Return the window that the measured decay asks for.

    Flat until the decay meets the noise, but for at least 1.2 and at most 2 times the longest decay
    time; never longer than the recording allows.

    Parameters
    ----------
    impulse_response : ImpulseResponse
        As deconvolved, with all that follows it up to the next excitation.
    decay : Decay, optional
        By octave bands; measured here by default.

    Raises
    ------
    ValueError
        If the response ends before time zero.
    """
    available = impulse_response.end
    if not available > 0:
        raise ValueError("needs an impulse response that reaches beyond time zero")
    before = min(_BEFORE, max(0.0, -impulse_response.start))
    if decay is None:
        decay = _octave_decay(impulse_response)
    time = math.nan if decay is None else decay.longest
    basis: Literal["decay", "noise", "available", "assumed"]
    if decay is None or not math.isfinite(time):
        flat, basis = _FLAT_WITHOUT_DECAY, "assumed"
    else:
        met = float(decay.noise_met_at.max())
        least = max(FLAT_PER_DECAY * time, _SHORTEST_FLAT)
        flat = min(max(met, least), max(_LONGEST_PER_DECAY * time, _SHORTEST_FLAT))
        basis = "noise" if least < met == flat else "decay"
    if flat > 0.8 * available:
        flat, basis = 0.8 * available, "available"
    return ImpulseWindow(before=before, length=flat / 0.8, decay_time=time, basis=basis)


def _octave_decay(impulse_response: ImpulseResponse) -> Decay | None:
    """Return the decay by octave; None where the response covers no whole octave."""
    if impulse_response.highest < 2.1 * impulse_response.lowest:
        return None
    # Decay is longest in the bass: the octaves up to 500 Hz decide, at a rate that suits them.
    highest = min(impulse_response.highest, _HIGHEST_DECAY)
    factor = choose_decimation(impulse_response.sample_rate, highest=highest)
    start = round(impulse_response.start * impulse_response.sample_rate)
    first = -start % factor  # so that time zero stays a sample
    bass = decimate(
        impulse_response.samples[first:],
        factor=factor,
        sample_rate=impulse_response.sample_rate,
        passband=1.2 * highest,
    )
    rate = impulse_response.sample_rate / factor
    try:
        return estimate_decay(
            replace(
                impulse_response,
                samples=bass,
                sample_rate=rate,
                start=(start + first) / impulse_response.sample_rate,
                highest=highest,
            )
        )
    except ValueError:
        return None


def window_values(times: FloatArray, *, window: ImpulseWindow) -> FloatArray:
    """Return the window at given rising times, shape (N,)."""
    values = np.ones(times.size)
    half = 0.5 * window.before
    first, last = np.searchsorted(times, (-half, window.flat))  # all ones in between
    if half > 0:
        rise = np.clip((times[:first] + window.before) / half, 0.0, 1.0)
        values[:first] = 0.5 - 0.5 * np.cos(np.pi * rise)
    fall = np.clip((window.length - times[last:]) / window.taper, 0.0, 1.0)
    values[last:] = 0.5 - 0.5 * np.cos(np.pi * fall)
    return values


def apply_window(impulse_response: ImpulseResponse, *, window: ImpulseWindow) -> ImpulseResponse:
    """Return the windowed response, cut to where the window is not zero.

    Raises
    ------
    ValueError
        If the response does not reach as far as the window.
    """
    rate, slack = impulse_response.sample_rate, 1.5 / impulse_response.sample_rate
    if window.length > impulse_response.end + slack:
        raise ValueError(
            f"the window ends at {window.length:.3f} s, but the response at "
            f"{impulse_response.end:.3f} s"
        )
    times = impulse_response.times
    first = int(np.searchsorted(times, -window.before - 0.5 / rate))
    last = int(np.searchsorted(times, window.length + 0.5 / rate))
    values = window_values(times[first:last], window=window)
    return replace(
        impulse_response,
        samples=impulse_response.samples[..., first:last] * values,
        start=float(times[first]),
    )
