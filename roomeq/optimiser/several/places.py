"""Where to put subwoofers: which place, and which two, three or four together.

Conventions
-----------
As in the package; a place is one source of the task, as if a subwoofer stood at each. Every
combination of a size is searched coarsely, of many the best once more, and the best few in full.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from roomeq.base.levels import FloatArray
from roomeq.optimiser.several.choose import Together, by_power, choose_together
from roomeq.optimiser.several.model import Model
from roomeq.optimiser.several.search import search_coarsely
from roomeq.optimiser.several.task import SeveralTask

COARSE_EVALUATIONS, AGAIN_EVALUATIONS, AGAIN = 800, 1600, 24
FULL_EVALUATIONS = 15000
FULL = 10
# With one coarse search (`bench_places.py rank 30 400 24`) the best in full of the first 24 was
# among the first ten in 30, 29, 30 and 26 of 30 rooms for 1, 2, 3 and 4 together; where it was not,
# 1.7 % of the deviation (two) and at most 12.8 % (four, 0.1 dB) were lost. A second one was set
# with the worst of them, 404; of four together it also keeps the best in 415 and 423, ranks 15 and
# 17 before, 10 and 2 then, and in 430.
_MOST_PLACES, _MOST_TOGETHER = 10, 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Combination:
    """Some places together.

    Attributes
    ----------
    places : tuple of int
        Sources of the task.
    coarse_db : float
        Deviation that the coarse search reached.
    together : Together
        What the search in full reached, and the settings.
    """

    places: tuple[int, ...]
    coarse_db: float
    together: Together


def choose_places(
    task: SeveralTask, *, most: int = _MOST_TOGETHER, full: int = FULL
) -> tuple[Combination, ...]:
    """Return the best combinations of each size, by size and then by deviation.

    Parameters
    ----------
    task : SeveralTask
        One source for each place, up to ten, none fed by another.
    most : int
        Largest number of subwoofers, 1 to 4.
    full : int
        How many of each size are searched in full.

    Returns
    -------
    tuple of Combination

    Raises
    ------
    ValueError
        If there are more than ten places, or `most` is not 1 to 4.
    """
    count = len(task.sources)
    if count > _MOST_PLACES or not 1 <= most <= _MOST_TOGETHER:
        raise ValueError(
            f"up to {_MOST_PLACES} places and 1 to {_MOST_TOGETHER} together, "
            f"got {count} and {most}"
        )
    found: list[Combination] = []
    again = max(AGAIN, full)
    for size in range(1, min(most, count) + 1):
        left, of_size = list(itertools.combinations(by_power(task), size)), []
        if len(left) > again:
            tried = [_tried(task, places, COARSE_EVALUATIONS) for places in left]
            left = [places for _, places, _ in sorted(tried, key=lambda one: one[0])[:again]]
        tried = [_tried(task, places, AGAIN_EVALUATIONS) for places in left]
        tried.sort(key=lambda one: one[0])
        for merit, places, start in tried[:full]:
            together = choose_together(
                task.of_sources(places),
                evaluations=FULL_EVALUATIONS * size,
                contributions=False,
                start=start,
            )
            one = Combination(places=places, coarse_db=math.sqrt(merit), together=together)
            of_size.append(one)
        found += sorted(of_size, key=lambda one: one.together.after.deviation_db)
    return tuple(found)


def _tried(
    task: SeveralTask, places: tuple[int, ...], evaluations: int
) -> tuple[float, tuple[int, ...], FloatArray]:
    """Return how good a combination may become, and the setting between the steps that says so."""
    model = Model(task.of_sources(places))
    begun = search_coarsely(model, evaluations=evaluations * len(places))
    return model.smooth_merit(begun), places, begun.x
