"""The odd seat: one that differs from the rest much more than the others do.

Conventions
-----------
Levels are in dB, shape (S, F): seats first, frequency last. Every seat counts alike, whatever its
weight: a seat that nobody minds may still be the one that was measured wrongly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.seats import checked_seat_levels
from roomeq.analysis.smoothing import log_frequency_weights
from roomeq.base.levels import level_mean_db

_ODD_LEAST_DB = 3.0
_ODD_RATIO = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class OddSeat:
    """A seat that differs from the rest much more than the others do.

    Attributes
    ----------
    seat : str
        Its name.
    distance_db : float
        Root mean square over ln f of its level minus the level mean of the others, with one offset
        removed, in dB.
    others_distance_db : float
        Median of the same figure over the other seats, in dB.
    """

    seat: str
    distance_db: float
    others_distance_db: float


def estimate_odd_seat(
    frequencies: ArrayLike,
    level_db: ArrayLike,
    *,
    seats: Sequence[str],
    weights_over_frequency: ArrayLike | None = None,
) -> OddSeat | None:
    """Name the seat that differs most from the rest, if it stands out.

    For each seat, the distance is the root mean square over ln f of its level minus the level mean
    of the other seats, one offset removed. The seat of the largest distance stands out if that is
    at least 3 dB and at least 1.5 times the median distance of the others (common practice, no
    source). A seat may be odd because it is (near a wall), or because its measurement went wrong.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    level_db : array_like, shape (S, F)
        Levels in dB, smoothed: else narrow dips make every seat odd.
    seats : sequence of str, length S
        Names.
    weights_over_frequency : array_like, shape (F,), optional
        Weight of each sample; its share of ln f by default.

    Returns
    -------
    OddSeat or None
        None if nobody stands out, or with fewer than three seats: of two, none is the odd one.

    Raises
    ------
    ValueError
        If shapes differ, a level is not finite or weights are not usable.
    """
    axis, levels, names = checked_seat_levels(level_db, frequencies=frequencies, seats=seats)
    over = log_frequency_weights(axis) if weights_over_frequency is None else weights_over_frequency
    count = len(names)
    if count < 3:
        return None
    rest = (levels.sum(axis=0) - levels) / (count - 1)
    apart = levels - rest
    apart -= level_mean_db(apart, axis=1, weights=over)[:, np.newaxis]
    distances = np.sqrt(level_mean_db(apart**2, axis=1, weights=over))
    index = int(distances.argmax())
    others = float(np.median(np.delete(distances, index)))
    if not (distances[index] >= _ODD_LEAST_DB and distances[index] >= _ODD_RATIO * others):
        return None
    return OddSeat(
        seat=names[index], distance_db=float(distances[index]), others_distance_db=others
    )
