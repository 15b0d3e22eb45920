"""Search for level and bands by the sum: descent from several starts.

Conventions
-----------
As in `roomeq.optimiser.joining.sum_bands`, which states the problem. A setting is a label for each
band and one for the level. The search moves single bands as far as they go, then pairs by small
steps, the level among them, until nothing near is better. "Best found"; no bound is claimed.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.optimiser.bands.problem import LabelArray, neighbours
from roomeq.optimiser.joining.sum_bands import TOLERANCE_DB, SumBands, SumSetting

TIE_SHARE = 0.02
_PAIR_REACH = 2
_START_LEVELS_DB = (-3.0, 0.0, 3.0)
_LEAST_GAIN = 1e-9


def solve_sum_bands(
    bands: SumBands, start_gains_db: FloatArray, *, thorough: bool = True
) -> SumSetting:
    """Return the best setting found from some gains; thorough from the present ones as well.

    Of what the best gains up to 2 % go for fewer moves: bands are put back to where they stand,
    those first that cost least.

    Parameters
    ----------
    bands : SumBands
    start_gains_db : ndarray, shape (B,)
        What suits the subwoofer alone, or suited something like this.
    thorough : bool
        Whether several levels are started from, and the present gains.

    Returns
    -------
    SumSetting
        The present bands and level where the limits leave none.
    """
    starts = [bands.nearest(start_gains_db)]
    if thorough:
        starts.append(bands.nearest(bands.task.present_gains_db))
    away = _START_LEVELS_DB if thorough else (0.0,)
    ends = {end.tobytes(): end for start in starts for end in _descents(bands, start, away_db=away)}
    found = list(ends.values())
    best = found[int(np.argmin([bands.values(end[None])[0] for end in found]))]
    return bands.setting(_fewer_moves(bands, best))


def _descents(
    bands: SumBands, start: LabelArray, *, away_db: tuple[float, ...]
) -> Iterator[LabelArray]:
    """Descend from a start at its best level, and above and below it."""
    block = bands.at_all_levels(start)
    allowed = [row for row in block if bands.feasible(row)]
    if not allowed:  # all bands at 0 keep every limit that any setting keeps
        block = bands.at_all_levels(bands.nearest(np.zeros(start.size - 1)))
        allowed = [row for row in block if bands.feasible(row)]
    values = bands.values(np.array(allowed))
    best = float(bands.level_changes_db[allowed[int(np.argmin(values))][-1]])
    offered = np.array([bands.level_changes_db[row[-1]] for row in allowed])
    for place in {int(np.argmin(np.abs(offered - best - away))) for away in away_db}:
        yield _descended(bands, allowed[place])


def _descended(bands: SumBands, labels: LabelArray) -> LabelArray:
    """Improve a setting by single moves, then by pairs, until nothing near is better."""
    best, together, counts = labels, 1, [len(table) for table in bands.tables]
    while together <= 2:
        reach = max(counts) if together == 1 else _PAIR_REACH
        block = neighbours(best, counts, together=together, reach=reach)
        values = bands.values(block)
        order = np.argsort(values, kind="stable")
        better = block[order[values[order] < values[0] - _LEAST_GAIN]]
        better = better[bands.problem.feasible(better[:, :-1], TOLERANCE_DB)]
        found = next((one for one in better if bands.feasible(one)), None)
        best, together = (best, together + 1) if found is None else (found, 1)
    return best


def _fewer_moves(bands: SumBands, labels: LabelArray) -> LabelArray:
    """Put bands back to where they stand while that costs at most 2 % of what is gained."""
    deviation = float(np.sqrt(bands.values(labels[None])[0]))
    gained = bands.present().deviation_db - deviation
    limit = (deviation + TIE_SHARE * max(gained, 0.0)) ** 2
    standing = bands.nearest(bands.task.present_gains_db)
    while True:
        moved = np.flatnonzero(labels[:-1] != standing[:-1])
        block = np.repeat(labels[None], moved.size, axis=0)
        block[np.arange(moved.size), moved] = standing[moved]
        values = bands.values(block) if moved.size else np.zeros(0)
        kept = [
            place
            for place in np.argsort(values, kind="stable")
            if values[place] <= limit and bands.feasible(block[place])
        ]
        if not kept:
            return labels
        labels = block[kept[0]]
