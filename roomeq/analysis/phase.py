"""Phase: minimum phase from level, excess phase, group delay.

Conventions
-----------
Time convention ``exp(+j omega t)``: a delay turns the phase downwards, and group delay
``-d phase / d omega`` is positive for what comes later. Group delays are in seconds, phases in
degrees, unwrapped along frequency. The last axis is frequency.

A measured phase is the minimum phase that belongs to the level plus an *excess phase*: pure delay,
and all-pass parts where sound that came later was stronger than what came before. Only the minimum
phase part can be mended by an equaliser. The minimum phase is computed, not measured; it follows
from the level over all frequencies, so an assumption is made about the level outside the data, see
`estimate_minimum_phase_deg`. Nothing here gives a phase to a response that has none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.base.response import FrequencyResponse, checked_frequencies

_PER_OCTAVE = 192
_END_OCTAVES = 1.0 / 3.0
_NEPERS_PER_DB = math.log(10.0) / 20.0  # of amplitude


def estimate_minimum_phase_deg(frequencies: ArrayLike, level_db: ArrayLike) -> FloatArray:
    """Estimate the phase a minimum-phase system of this level has.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz, positive and strictly increasing, at least two.
    level_db : array_like, shape (..., F)
        Levels in dB, finite, unsmoothed or only lightly smoothed. Below and above the data the mean
        slope over the outermost third of an octave is taken to go on for ever.

    Returns
    -------
    ndarray, shape (..., F)
        Degrees, unwrapped; +90 for a steady rise of 6.02 dB per octave.

    Raises
    ------
    ValueError
        If there are fewer than two frequencies, or a level is not finite.

    Notes
    -----
    Bode's relation between attenuation and phase (H. W. Bode, Network Analysis and Feedback
    Amplifier Design, 1945, ch. 14; the Hilbert transform on a logarithmic axis),
    ``phase(u0) = 1/pi * integral of dA/du * ln coth(abs(u - u0) / 2) du`` with u = ln f and A the
    level in nepers. The level is taken as straight over ln f between points 1/192 octave apart
    (finer detail is passed over), for which the integral is exact:
    ``integral from 0 to v of ln coth(x / 2) dx = pi**2 / 4 - Li2(exp(-v)) + Li2(-exp(-v))``.

    A wrong assumption about the level above the data errs like a constant delay, growing towards
    the upper end; below, it errs towards the lower end. Half an octave inside, 6 dB per octave of
    wrong slope make 28 degrees, two octaves inside 9.
    """
    axis = checked_frequencies(frequencies)
    levels = np.asarray(level_db, dtype=np.float64)
    if axis.size < 2:
        raise ValueError("needs at least two frequencies")
    if not np.isfinite(levels).all():
        raise ValueError("levels must be finite: leave out the rows that hold no level")
    x = np.log(axis)
    count = max(math.ceil((x[-1] - x[0]) / math.log(2.0) * _PER_OCTAVE), 1) + 1
    grid = np.linspace(x[0], x[-1], count)
    kernel = _coth_integral(grid - grid[0])
    rows = []
    for row in levels.reshape(-1, axis.size):
        nepers = np.interp(grid, x, row) * _NEPERS_PER_DB
        ends = _end_slope(grid, nepers), _end_slope(grid[::-1], nepers[::-1])
        phase = _bode_phase(nepers, step=float(grid[1] - grid[0]), kernel=kernel, ends=ends)
        rows.append(np.interp(x, grid, phase))
    return np.asarray(np.rad2deg(np.array(rows).reshape(levels.shape)))


def _phases_deg(response: FrequencyResponse) -> tuple[FloatArray, FloatArray]:
    """Return minimum phase, and by how much the measured one exceeds it, both (..., F), unwrapped.

    A delay of tau adds ``-360 * f * tau`` to the excess, a wrong polarity 180.
    """
    pressure = response.pressure
    minimum = estimate_minimum_phase_deg(response.frequencies, response.level_db)
    turned = pressure * np.exp(-1j * np.deg2rad(minimum))
    return minimum, np.asarray(np.rad2deg(np.unwrap(np.angle(turned), axis=-1)))


def estimate_group_delay(response: FrequencyResponse) -> FloatArray:
    """Estimate the group delay of a response, in seconds, shape (..., F).

    The slope of the unwrapped phase by differences of second order; the phase must turn by less
    than half a turn from one frequency to the next.

    Raises
    ------
    MissingPhaseError
        If the response has level only.
    ValueError
        If it has fewer than two frequencies.
    """
    turns = np.unwrap(np.angle(response.pressure), axis=-1) / (2.0 * np.pi)
    if response.frequencies.size < 2:
        raise ValueError("group delay needs at least two frequencies")
    order: Literal[1, 2] = 2 if response.frequencies.size > 2 else 1
    return np.asarray(-np.gradient(turns, response.frequencies, axis=-1, edge_order=order))


def estimate_excess_group_delay(
    response: FrequencyResponse, *, at: ArrayLike, fraction: int = 12
) -> FloatArray:
    """Estimate the group delay of the excess phase.

    Constant for a minimum-phase response that was delayed. Where sound that came later is stronger
    than what came before, it rises steeply at the frequencies where both cancel.

    Parameters
    ----------
    response : FrequencyResponse
        With phase, not smoothed, and dense enough that the phase turns by less than half a turn
        from one frequency to the next: else the unwrapping loses whole turns.
    at : array_like, shape (G,)
        Frequencies of the result in Hz, within the data. Each value is the mean over df within
        1/`fraction` octave (cut off at the ends of the data), which no narrow rise escapes.
    fraction : int
        N of the 1/N-octave window, at least 1.

    Returns
    -------
    ndarray, shape (..., G)
        Seconds.

    Raises
    ------
    MissingPhaseError
        If the response has level only.
    ValueError
        If it has fewer than two frequencies, or a zero (its level is not finite).
    """
    _, excess_deg = _phases_deg(response)
    return _mean_delay(response.frequencies, excess_deg, np.asarray(at, np.float64), fraction)


def energy_time(frequencies: FloatArray, pressure: ComplexArray) -> float:
    """Return the centre of the energy from 20 to 80 Hz in s, by the turn of phase.

    The mean of the group delay, each by its power: the first moment of the squared impulse
    response (L. Cohen, *Time-Frequency Analysis*, 1995, section 1.5).
    """
    inside = (frequencies >= 20.0) & (frequencies <= 80.0)
    axis, heard = frequencies[inside], pressure[inside]
    turned = heard[1:] * heard[:-1].conj()
    steps = np.diff(axis)
    weights = np.abs(turned) * steps
    delays = -np.angle(turned) / (2.0 * np.pi * steps)
    total = float(weights.sum())
    return float(weights @ delays) / total if total > 0.0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhaseParts:
    """A phase less one delay, and the group delay beside that of the minimum phase.

    Attributes
    ----------
    frequencies : ndarray, shape (F,)
        Hz.
    delay : float
        Median of the excess group delay in s, taken out of the phase.
    phase_deg : ndarray, shape (F,)
        Within 180 degrees.
    group_delay, minimum_group_delay : ndarray, shape (F,)
        Seconds, means over 1/12 octave; the first less `delay`.
    """

    frequencies: FloatArray
    delay: float
    phase_deg: FloatArray
    group_delay: FloatArray
    minimum_group_delay: FloatArray


def estimate_phase_parts(response: FrequencyResponse, *, at: ArrayLike) -> PhaseParts:
    """Set a response's phase beside its minimum phase.

    Parameters
    ----------
    response : FrequencyResponse
        With phase; as for `estimate_excess_group_delay`.
    at : array_like, shape (F,)
        Hz, within the data.

    Raises
    ------
    MissingPhaseError
        If the response has level only.
    ValueError
        As `estimate_excess_group_delay`.
    """
    axis, asked = response.frequencies, np.asarray(at, dtype=np.float64)
    minimum, excess = _phases_deg(response)
    own, rest = (_mean_delay(axis, row, asked, 12) for row in (minimum, excess))
    delay = float(np.median(rest))

    phase = np.interp(asked, axis, minimum + excess + 360.0 * axis * delay)
    return PhaseParts(
        frequencies=asked,
        delay=delay,
        phase_deg=np.asarray(np.mod(phase + 180.0, 360.0) - 180.0),
        group_delay=own + rest - delay,
        minimum_group_delay=own,
    )


def _mean_delay(
    axis: FloatArray, phase_deg: FloatArray, asked: FloatArray, fraction: int
) -> FloatArray:
    """Return the mean delay within 1/`fraction` octave of each frequency, shape (..., G)."""
    if not (fraction >= 1 and asked.ndim == 1 and asked.size > 0):
        raise ValueError("`at` must be one-dimensional and not empty, `fraction` at least 1")
    if not (asked.min() >= axis[0] * (1 - 1e-9) and asked.max() <= axis[-1] * (1 + 1e-9)):
        raise ValueError(
            f"the data span {axis[0]:.6g} to {axis[-1]:.6g} Hz, but {asked.min():.6g} to "
            f"{asked.max():.6g} Hz was asked for"
        )
    half = 2.0 ** (0.5 / fraction)
    low, high = np.maximum(asked / half, axis[0]), np.minimum(asked * half, axis[-1])
    turns = [
        np.interp(high, axis, row) - np.interp(low, axis, row)
        for row in phase_deg.reshape(-1, axis.size) / 360.0
    ]
    return np.asarray((-np.array(turns) / (high - low)).reshape(*phase_deg.shape[:-1], asked.size))


def _end_slope(grid: FloatArray, nepers: FloatArray) -> float:
    """Return dA/du over the outermost part, where the grid begins."""
    distance = grid - grid[0]
    part = max(int(np.count_nonzero(np.abs(distance) <= _END_OCTAVES * math.log(2.0))), 2)
    return float(np.polyfit(distance[:part], nepers[:part], 1)[0])


def _bode_phase(
    nepers: FloatArray, *, step: float, kernel: FloatArray, ends: tuple[float, float]
) -> FloatArray:
    """Return the phase in radians on a grid of equal steps of ln f, shape (n,).

    `kernel` holds the integral of ln coth(x / 2) from 0 to each distance on the grid.
    """
    slope = np.diff(nepers) / step
    piece = np.diff(kernel)  # over one step, at a distance of 0, 1, ... steps
    weight = np.concatenate((piece[::-1], piece))
    count = nepers.size
    inner = np.convolve(slope, weight)[count - 2 : 2 * count - 2]
    whole = math.pi**2 / 4.0
    outer = ends[0] * (whole - kernel) + ends[1] * (whole - kernel[::-1])
    return np.asarray((inner + outer) / math.pi)


def _coth_integral(v: FloatArray) -> FloatArray:
    """Return the integral from 0 to v of ln coth(x / 2), for v not negative."""
    from scipy.special import spence  # the dilogarithm: spence(1 - z) = Li2(z)

    return np.asarray(math.pi**2 / 4.0 - spence(-np.expm1(-v)) + spence(1.0 + np.exp(-v)))
