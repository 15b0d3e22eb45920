"""Sum of subwoofer and mains through the crossover, as filters alone make it.

Conventions
-----------
Levels in dB, frequencies in Hz, delays in s, later is positive, and the delay is the subwoofer's
against the mains. Sums are electrical, or acoustical in the free field at equal distance,
subwoofer and mains at equal level in their pass-bands; a room adds its own. Levels of a sum are
relative to the subwoofer's own high-passes, so that its lower limit is not taken for a fault of
the crossover. "Deepest" and "highest" are sought from a quarter of the corner to four times the
corner.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import ComplexArray, FloatArray, amplitude_ratio_db
from roomeq.device.crossover import CrossoverFilter, chain_response

_SPAN_OCTAVES = 2.0
_POINTS_PER_OCTAVE = 96
_NULL_DB = -200.0
_PERIODS = 1.0  # of the corner, either side: how far a delay is sought
_DELAYS_PER_PERIOD = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class SumFigures:
    """Subwoofer and mains together, from a quarter of the corner to four times it.

    Attributes
    ----------
    inverted : bool
        Whether the subwoofer's polarity is inverted.
    delay : float
        Of the subwoofer, in s.
    at_corner_db : float
        Level of the sum at the corner; -200 stands for nothing left.
    dip_db, dip_frequency : float
        Deepest place, in dB (at most 0) and Hz.
    peak_db, peak_frequency : float
        Highest place, in dB (at least 0) and Hz.
    flattest_frequency : float
        Hz, within an octave of the corner, where the sum is nearest to 0 dB.
    flattest_db : float
        Level there.
    """

    inverted: bool
    delay: float
    at_corner_db: float
    dip_db: float
    dip_frequency: float
    peak_db: float
    peak_frequency: float
    flattest_frequency: float
    flattest_db: float

    @property
    def deviation_db(self) -> float:
        """Largest deviation from flat, in dB, not negative."""
        return max(-self.dip_db, self.peak_db)

    @property
    def worst_frequency(self) -> float:
        """Hz of the place that is farthest from flat."""
        return self.dip_frequency if -self.dip_db >= self.peak_db else self.peak_frequency


def predict_sum(
    frequencies: ArrayLike,
    *,
    filters: Sequence[CrossoverFilter],
    mains: Sequence[CrossoverFilter],
    inverted: bool = False,
    delay: float = 0.0,
) -> ComplexArray:
    """Return subwoofer and mains together as a complex amplitude ratio, shape (F,).

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    filters, mains : sequence of CrossoverFilter
        What stands in the path of the subwoofer, and of the mains.
    inverted : bool
        Turn the subwoofer's polarity.
    delay : float
        Of the subwoofer against the mains, in s.
    """
    axis = np.asarray(frequencies, dtype=np.float64)
    sub = chain_response(tuple(filters), axis) * np.exp(-2j * np.pi * axis * delay)
    return np.asarray(chain_response(tuple(mains), axis) + (-sub if inverted else sub))


def sum_level_db(
    frequencies: ArrayLike,
    *,
    filters: Sequence[CrossoverFilter],
    **others: Any,
) -> FloatArray:
    """Return the level of the sum relative to the subwoofer's own high-passes, shape (F,), in dB.

    Arguments as for `predict_sum`. A null is given as -200 dB.
    """
    total = predict_sum(frequencies, filters=filters, **others)
    own = tuple(entry for entry in filters if entry.kind == "high_pass")
    ratio = np.abs(total) / np.abs(chain_response(own, frequencies))
    return np.asarray(np.maximum(amplitude_ratio_db(ratio), _NULL_DB))


def _axis(corner: float) -> FloatArray:
    points = round(2 * _SPAN_OCTAVES * _POINTS_PER_OCTAVE) + 1
    return np.asarray(corner * np.exp2(np.linspace(-_SPAN_OCTAVES, _SPAN_OCTAVES, points)))


def sum_figures(
    filters: Sequence[CrossoverFilter],
    *,
    mains: Sequence[CrossoverFilter],
    corner: float,
    inverted: bool = False,
    delay: float = 0.0,
) -> SumFigures:
    """Return what the sum is around a corner.

    Parameters
    ----------
    filters, mains : sequence of CrossoverFilter
        As for `predict_sum`.
    corner : float
        Hz.
    inverted, delay : bool, float
        As for `predict_sum`.
    """
    level_db = partial(sum_level_db, filters=filters, mains=mains, inverted=inverted, delay=delay)
    axis = _axis(corner)
    levels = level_db(axis)
    dip_frequency, dip_db = _refined(axis, level_db, int(np.argmin(levels)), sign=-1.0)
    peak_frequency, peak_db = _refined(axis, level_db, int(np.argmax(levels)), sign=1.0)
    near = np.abs(np.log2(axis / corner)) <= 1.0
    flattest = int(np.argmin(np.where(near, np.abs(levels), np.inf)))
    return SumFigures(
        inverted=inverted,
        delay=delay,
        at_corner_db=float(level_db(np.array([corner]))[0]),
        dip_db=min(0.0, dip_db),
        dip_frequency=dip_frequency,
        peak_db=max(0.0, peak_db),
        peak_frequency=peak_frequency,
        flattest_frequency=float(axis[flattest]),
        flattest_db=float(levels[flattest]),
    )


def _refined(
    axis: FloatArray, level_db: Callable[[FloatArray], FloatArray], index: int, *, sign: float
) -> tuple[float, float]:
    """Return frequency and level of an extremum, sought on ever finer axes around a point."""
    lowest, highest = axis[max(index - 1, 0)], axis[min(index + 1, axis.size - 1)]
    for _ in range(3):
        finer = np.geomspace(lowest, highest, 17)
        levels = level_db(finer)
        best = int(np.argmax(sign * levels))
        lowest, highest = finer[max(best - 1, 0)], finer[min(best + 1, 16)]
    return float(finer[best]), float(levels[best])


def estimate_best_delay(
    filters: Sequence[CrossoverFilter], *, mains: Sequence[CrossoverFilter], corner: float
) -> SumFigures:
    """Return the figures with the delay and polarity that leave the sum flattest.

    Every delay of the subwoofer within one period of the corner, either side, in steps of 1/80 of
    it, and finer steps around the best; both polarities. No delay and normal polarity are kept
    where nothing is better by 0.01 dB.
    """
    axis = _axis(corner)[::4]
    sub = chain_response(tuple(filters), axis)
    high = chain_response(tuple(mains), axis)
    own = tuple(entry for entry in filters if entry.kind == "high_pass")
    reference = np.abs(chain_response(own, axis))

    def deviation_db(delays: FloatArray, inverted: bool) -> FloatArray:
        turned = sub * np.exp(-2j * np.pi * delays[:, np.newaxis] * axis)
        level_db = amplitude_ratio_db(np.abs(high + (-turned if inverted else turned)) / reference)
        return np.asarray(np.max(np.abs(np.maximum(level_db, _NULL_DB)), axis=-1))

    steps = round(_PERIODS * _DELAYS_PER_PERIOD)
    width = 1.0 / (_DELAYS_PER_PERIOD * corner)
    still = np.zeros(1)
    tried = [(float(deviation_db(still, inverted)[0]), 0.0, inverted) for inverted in (False, True)]
    for inverted in (False, True):
        delays: FloatArray = np.asarray(width * np.arange(-steps, steps + 1))
        for finer in (1.0, 0.1, 0.01):
            found = deviation_db(delays, inverted)
            centre = float(delays[int(np.argmin(found))])
            tried.append((float(found.min()), centre, inverted))
            delays = np.asarray(centre + 0.1 * finer * width * np.arange(-10, 11))
    chosen = tried[0]
    for entry in tried[1:]:
        if entry[0] < chosen[0] - 0.01:
            chosen = entry
    return sum_figures(filters, mains=mains, corner=corner, inverted=chosen[2], delay=chosen[1])
