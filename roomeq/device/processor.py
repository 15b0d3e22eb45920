"""Settings that join subwoofer and mains: delay, polarity, phase control, level.

Conventions
-----------
A delay is that of the subwoofer against the mains, in seconds: positive is later, negative is
earlier and is made by delaying the mains. Distances are those that sound travels in that time at
343.2 m/s (20 degrees Celsius); a processor that asks for distances works the other way, since it
delays what is nearer. Phase in degrees of lag at a stated frequency, level as a change in dB
against the level while measuring.

The phase control of a subwoofer's amplifier: a first-order all-pass.

A control is set in degrees of lag at a stated frequency in Hz: 0 does nothing, 180 is a change of
polarity. Time convention ``exp(+j omega t)``: a lag is a negative phase. With f0 the frequency of
90 degrees::

    H(f) = (1 - j f / f0) / (1 + j f / f0)      lag at f = 2 atan(f / f0)

It is neither a delay nor a flip: the lag grows from 0 at low frequencies to 180 degrees at high
ones, and the delay that goes with it is longest at low frequencies, ``1 / (pi f0)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import ComplexArray, FloatArray, readonly, require_positive
from roomeq.device.profile import PhaseControl

MOST_DEG = 180.0


def _check_lag(lag_deg: float, frequency: float) -> None:
    if not (math.isfinite(lag_deg) and 0.0 <= lag_deg <= MOST_DEG):
        raise ValueError(
            f"a first-order all-pass lags by 0 to {MOST_DEG:g} degrees, got {lag_deg!r}"
        )
    require_positive(frequency, "the frequency of a lag")


def all_pass_response(frequencies: ArrayLike, *, lag_deg: float, frequency: float) -> ComplexArray:
    """Return the response of a first-order all-pass set to a lag at one frequency.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    lag_deg : float
        Lag at `frequency`, 0 to 180 degrees.
    frequency : float
        Hz.

    Returns
    -------
    ndarray, shape (F,)
        Complex amplitude ratio of magnitude 1: 1 for 0 degrees, -1 for 180.

    Raises
    ------
    ValueError
        If the lag lies outside 0 to 180 degrees, or the frequency is not finite and positive.
    """
    _check_lag(lag_deg, frequency)
    half, x = math.radians(lag_deg) / 2.0, np.asarray(frequencies, dtype=np.float64) / frequency
    # cos - j x sin over its conjugate: f0 is frequency / tan(half), which may be 0 or infinite
    numerator = math.cos(half) - 1j * x * math.sin(half)
    return np.asarray(numerator / np.conj(numerator))


def lag_at_deg(frequencies: ArrayLike, *, lag_deg: float, frequency: float) -> FloatArray:
    """Return the lag at other frequencies, in degrees from 0 to 180; arguments as above."""
    response = all_pass_response(frequencies, lag_deg=lag_deg, frequency=frequency)
    return np.asarray(np.abs(np.angle(response, deg=True)))


def phase_settings_deg(control: PhaseControl) -> FloatArray:
    """Return every setting that a phase control offers, in degrees of lag, rising, shape (Q,).

    Raises
    ------
    ValueError
        If the range leaves 0 to 180 degrees: a first-order all-pass cannot do that.
    """
    _check_lag(control.lowest_deg, control.frequency)
    _check_lag(control.highest_deg, control.frequency)
    steps = math.floor((control.highest_deg - control.lowest_deg) / control.step_deg + 1e-9)
    return readonly(np.round(control.lowest_deg + control.step_deg * np.arange(steps + 1), 9))


SPEED_OF_SOUND = 343.2
"""m/s in air at 20 degrees Celsius (ISO 9613-1)."""

METRES_PER_FOOT = 0.3048

Polarity = ("normal", "inverted")
"""Names of the two polarities, in the order of every map."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JoiningSettings:
    """One setting of a subwoofer: against the mains, or of one of several against the others.

    Attributes
    ----------
    delay : float
        Seconds, positive is later.
    inverted : bool
        Whether the subwoofer's polarity is inverted.
    phase_deg : float
        Lag of the phase control at `phase_frequency`, 0 to 180 degrees.
    phase_frequency : float, optional
        Hz; needed only where the phase control is not at 0.
    level_change_db : float
        Change of the subwoofer's level against the one while measuring.

    Raises
    ------
    ValueError
        If a figure is not finite, or a lag is given without its frequency.
    """

    delay: float = 0.0
    inverted: bool = False
    phase_deg: float = 0.0
    phase_frequency: float | None = None
    level_change_db: float = 0.0

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, (self.delay, self.phase_deg, self.level_change_db))):
            raise ValueError(f"every figure of a setting must be finite, got {self}")
        if not 0.0 <= self.phase_deg <= 180.0:
            raise ValueError(f"phase_deg lies within 0 to 180, got {self.phase_deg:g}")
        if self.phase_deg and self.phase_frequency is None:
            raise ValueError("phase_deg needs phase_frequency, at which the degrees hold")

    @property
    def delay_ms(self) -> float:
        """Delay in milliseconds, for display."""
        return 1e3 * self.delay

    @property
    def distance(self) -> float:
        """Distance that sound travels during the delay, in m, with its sign."""
        return self.delay * SPEED_OF_SOUND

    @property
    def distance_ft(self) -> float:
        """The same in feet."""
        return self.distance / METRES_PER_FOOT

    @property
    def polarity(self) -> str:
        """``normal`` or ``inverted``."""
        return Polarity[int(self.inverted)]

    def response(self, frequencies: ArrayLike) -> ComplexArray:
        """Return what the setting does to the subwoofer, a complex amplitude ratio, shape (F,)."""
        axis = np.asarray(frequencies, dtype=np.float64)
        ratio = 10.0 ** (self.level_change_db / 20.0) * (-1.0 if self.inverted else 1.0)
        turned = ratio * np.exp(-2j * np.pi * axis * self.delay)
        if self.phase_deg:
            assert self.phase_frequency is not None
            turned = turned * all_pass_response(
                axis, lag_deg=self.phase_deg, frequency=self.phase_frequency
            )
        return np.asarray(turned)


def _grid(lowest: float, highest: float, step: float, word: str) -> FloatArray:
    require_positive(step, f"the step of a {word}")
    if not (math.isfinite(lowest) and math.isfinite(highest) and lowest <= highest):
        raise ValueError(f"a {word} needs lowest <= highest, got {lowest!r} and {highest!r}")
    first, last = math.ceil(lowest / step - 1e-6), math.floor(highest / step + 1e-6)
    if last < first:
        raise ValueError(f"no step of {step:g} lies within the {word} {lowest:g} to {highest:g}")
    return readonly(np.arange(first, last + 1) * step)


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayRange:
    """Delays that can be set, in seconds: whole numbers of `step` within the range.

    A processor that can delay the subwoofer only has ``lowest=0``. The default, 20 ms to either
    side, is 6.9 m of path difference (common practice, no source).
    """

    lowest: float = -0.020
    highest: float = 0.020
    step: float = 0.0001

    @property
    def values(self) -> FloatArray:
        """Every delay, rising, shape (D,), in seconds."""
        return _grid(self.lowest, self.highest, self.step, "range of delays")


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRange:
    """Changes of the subwoofer's level that can be set, in dB: whole numbers of `step_db`.

    The default, 6 dB to either side, keeps a hopeless crossover from being "joined" by taking the
    subwoofer away (common practice, no source).
    """

    lowest_db: float = -6.0
    highest_db: float = 6.0
    step_db: float = 0.5

    @property
    def values_db(self) -> FloatArray:
        """Every change, rising, shape (L,), in dB."""
        return _grid(self.lowest_db, self.highest_db, self.step_db, "range of levels")
