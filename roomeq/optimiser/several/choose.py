"""Settings of several subwoofers: the best found, the fewest moves beside it, and what they give.

Conventions
-----------
As in the package. *Before* is what is set now, whether or not it may be set. A move is a delay,
level, polarity or gain that is not what is set now; equalisers that are set alike count once.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from roomeq.base.levels import FloatArray, readonly
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.several.model import LIMIT_TOLERANCE_DB, Model, State
from roomeq.optimiser.several.search import find_loudest, improved, search
from roomeq.optimiser.several.task import IntArray, SeatFigures, SeveralTask

TIE_SHARE = 0.02
"""Of what the best gains in deviation, may be lost to fewer moves."""
_ROUNDS = 4
_SAME = 1e-6
EVALUATIONS_EACH = 5000
"""Settings judged for each value that may be chosen."""
EVALUATIONS_BASE = 10
"""As many values more, since few values without bands are no easier."""
ALIKE_SHARE = 0.15
"""Of them, for the same bands before all sources where each has its own."""
WITHOUT_SHARE = 0.08
NEEDLESS_DB = 0.1
# More deviation without one is no loss: less than anybody measures; common practice, no source. Of
# 31 cases with 0.3 dB of scatter (`bench_without_one.py`, seeds 900 to 940, 1000 to 1006), with
# which this was set, 9 of 10 that add nothing are named and none of 21 that are needed; of 75 later
# ones (944, 947 to 964, 1010 to 1030) 19 of 25 and none of 50: the short search misses some.


@dataclass(frozen=True, slots=True, kw_only=True)
class WithoutOne:
    """What is reached without one source, the others set anew.

    Attributes
    ----------
    without_db : float
        Deviation.
    output_without_db : float
        How much less output there is than with it, at equal drive.
    needless : bool
        Whether it can be left off without loss: the deviation stays within the tie or 0.1 dB, and
        the output within what may be given up.
    """

    without_db: float
    output_without_db: float
    needless: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Together:
    """What is to be set on several subwoofers.

    Attributes
    ----------
    settings : tuple of JoiningSettings
        One for each source; that of a source that is fed by another repeats the other's.
    gains_db : tuple of ndarray
        Of the equaliser before each source; empty where there is none.
    before, after, best : SeatFigures
        As it stands, as proposed, and the best found, which moves more.
    without : tuple of WithoutOne
        What each source contributes: what is reached without it. Empty unless asked for.
    loudness_change_db : float
        What the settings change in the mean level of the seats' power average.
    output_db : float
        Output as proposed, in the unit of the pressures.
    evaluations : int
        Settings judged, but for what each source contributes.
    """

    settings: tuple[JoiningSettings, ...]
    gains_db: tuple[FloatArray, ...]
    before: SeatFigures
    after: SeatFigures
    best: SeatFigures
    without: tuple[WithoutOne, ...]
    loudness_change_db: float
    output_db: float
    evaluations: int


def choose_together(
    task: SeveralTask,
    *,
    evaluations: int | None = None,
    contributions: bool = True,
    start: FloatArray | None = None,
) -> Together:
    """Choose delay, polarity and level of each source and the bands of each equaliser.

    The same task gives the same answer; the order of sources and seats does not matter.

    Parameters
    ----------
    task : SeveralTask
    evaluations : int, optional
        About how many settings are judged; by default 5000 for each value that may be chosen, and
        50000.
    contributions : bool
        Whether to find out what each source contributes, for about as much again.
    start : ndarray, shape (V,), optional
        Setting as in `roomeq.optimiser.several.model` to start from as well, sources by `by_power`.

    Returns
    -------
    Together
    """
    power = np.sum([np.abs(source.pressures) ** 2 for source in task.sources], axis=(0, 2))
    seats, order = np.argsort(power, kind="stable"), by_power(task)
    model = Model(task.of_seats(seats).of_sources(order))
    if evaluations is None:
        evaluations = EVALUATIONS_EACH * (model.free.size + EVALUATIONS_BASE)
    loudest = find_loudest(model)
    before, spent, starts = model.before(), 0, [] if start is None else [start]
    alike = model.task.with_one_equaliser()
    one = None if alike is None else Model(alike)
    if one is not None:
        # bands at rest it is as loud, and that counts as if it were looked for again
        one.loudest_db, one.evaluations = model.loudest_db, model.evaluations - 2
        rest = one.state(np.delete(loudest.x, np.concatenate(model.gain_places[1:])))
        same = search(one, evaluations=int(ALIKE_SHARE * evaluations), loudest=rest)
        starts.append(_spread(model, same))
        spent = one.evaluations
    best = search(model, evaluations=evaluations - spent, starts=starts, loudest=loudest)
    limit = tie_loss(best, before)
    if one is not None and same.merit <= limit:
        few = with_few_moves(one, same, one.before(), limit=limit)
        proposed = model.state(_spread(model, few))
    else:
        proposed = with_few_moves(model, best, before, limit=limit)
    short = int(WITHOUT_SHARE * evaluations) if contributions and model.n > 1 else 0
    places = [order.index(i) for i in range(model.n)]
    was, after, most = (_figures(model, one, np.argsort(seats)) for one in (before, proposed, best))
    settings, gains_db = zip(*(_settings(model, proposed, k) for k in places), strict=True)
    loudness = [model.levels_db(state.total)[1] for state in (before, proposed)]
    return Together(
        settings=settings,
        gains_db=gains_db,
        before=was,
        after=after,
        best=most,
        without=tuple(_without(model, k, proposed, before, short) for k in places if short),
        loudness_change_db=float((loudness[1] - loudness[0]) @ task.frequency_weights),
        output_db=model.loudest_db + model.unit_db - after.output_given_up_db,
        evaluations=spent + model.evaluations,
    )


def by_power(task: SeveralTask) -> tuple[int, ...]:
    """Return the sources by their power at the seats: the order that the search takes."""
    power = [float(np.sum(np.abs(source.pressures) ** 2)) for source in task.sources]
    return tuple(int(i) for i in np.argsort(power, kind="stable"))


def _spread(model: Model, state: State) -> FloatArray:
    """Return the values of a setting whose one equaliser stands before all."""
    before, gains, signs = np.split(state.x, [2 * model.n, -model.n])
    return np.concatenate([before, *[gains] * len(model.task.equalisers), signs])


def _without(model: Model, i: int, proposed: State, before: State, evaluations: int) -> WithoutOne:
    """Return what is reached without one source."""
    others = Model(model.task.of_sources(tuple(k for k in range(model.n) if k != i)))
    found = search(others, evaluations=evaluations)
    limit = max(tie_loss(proposed, before), (math.sqrt(proposed.loss) + NEEDLESS_DB) ** 2)
    output_db = others.loudest_db + others.unit_db - found.given_up
    given_up = model.loudest_db + model.unit_db - output_db
    return WithoutOne(
        without_db=math.sqrt(found.loss),
        output_without_db=given_up - proposed.given_up,
        needless=found.loss <= limit and given_up <= model.task.most_given_up_db,
    )


def _settings(model: Model, state: State, i: int) -> tuple[JoiningSettings, FloatArray]:
    """Return delay, polarity and level of a source, and the gains before it."""
    line, e = model.lines[i], model.bands_of[i]
    setting = JoiningSettings(
        delay=1e-3 * float(state.x[line]),
        inverted=bool(state.x[model.sign_places[i]] < 0),
        level_change_db=float(state.x[model.n + line]),
    )
    return setting, readonly(state.x[model.gain_places[e]] if e >= 0 else ())


def _figures(model: Model, state: State, order: IntArray) -> SeatFigures:
    """Return what a state gives at the seats in another order."""
    (levels, _), task = model.levels_db(state.total), model.task
    variance = task.seat_weights @ (levels - task.seat_weights @ levels) ** 2
    error = levels - state.level
    seat_losses = task.loss.value(error, error + task.allowance_db) @ task.frequency_weights
    return SeatFigures(
        deviation_db=math.sqrt(state.loss),
        by_seat_db=tuple(np.sqrt(seat_losses[order]).tolist()),
        variation_db=math.sqrt(float(variance @ task.frequency_weights)),
        output_given_up_db=state.given_up,
    )


# -- few moves --------------------------------------------------------------------------------


def tie_loss(best: State, before: State) -> float:
    """Return the loss up to which a setting is tied with the best."""
    deviation = math.sqrt(best.loss)
    return (deviation + TIE_SHARE * max(math.sqrt(before.loss) - deviation, 0.0)) ** 2


def with_few_moves(model: Model, best: State, before: State, *, limit: float) -> State:
    """Return a setting of no more loss than the limit that moves little.

    Each time the cheapest move is put back; between the rounds what is still moved is improved.
    """
    state = _shifted(model, best, before)
    for _ in range(_ROUNDS):
        fewer = _put_back(model, state, before, limit)
        if fewer is state:
            break
        moved = model.free[np.abs(fewer.x - before.x)[model.free] > _SAME]
        set_to = [tuple(fewer.x[at]) for at in model.gain_places]
        for one, at in zip(set_to, model.gain_places, strict=True):
            moved = np.setdiff1d(moved, at) if set_to.count(one) > 1 else moved
        state = improved(model, fewer, until=math.inf, pairs=False, movable=moved)
    return state


def count_moves(model: Model, x: FloatArray, before: State) -> int:
    """Return how many things are not as they are set now."""
    own, moved = model.own, np.abs(x - before.x) > _SAME
    bands = {(*x[at], *before.x[at]): int(moved[at].sum()) for at in model.gain_places}
    alone = int(moved[[*own, *(model.n + own), *model.sign_places]].sum())
    return alone + sum(bands.values())


def _shifted(model: Model, state: State, before: State) -> State:
    """Delay, turn or raise all alike where that leaves more as it stands: the loss is the same."""
    n, own = model.n, model.own
    best, fewest = state, count_moves(model, state.x, before)
    turns = (False, True) if model.invertible.all() else (False,)
    delays, levels = (
        sorted({0.0, *(before.x[at] - state.x[at]).tolist()}, key=abs) for at in (own, n + own)
    )
    for turn, delay, level in itertools.product(turns, delays, levels):
        x = model.turned(state.x, np.full(n, turn))
        x[own] += delay
        x[n + own] += level
        if count_moves(model, x, before) >= fewest:
            continue
        on_grid = model.rounded(x)
        trial = model.state(on_grid, state.level)
        if np.abs(on_grid - x).max() < _SAME and trial.excess <= LIMIT_TOLERANCE_DB:
            best, fewest = trial, count_moves(model, on_grid, before)
    return best


def _put_back(model: Model, state: State, before: State, limit: float) -> State:
    """Put things back to where they stand, the cheapest first, as long as the loss is tied."""
    while True:
        now = count_moves(model, state.x, before)
        tied = []
        for x in _fewer(model, state, before):
            saved = now - count_moves(model, x, before)
            if saved > 0:
                trial = model.state(x, state.level)
                if trial.merit <= limit:
                    tied.append((max(trial.loss - state.loss, 0.0) / saved, trial))
        if not tied:
            return state
        state = min(tied, key=lambda pair: pair[0])[1]


def _fewer(model: Model, state: State, before: State) -> Iterator[FloatArray]:
    """Yield settings with one thing, or one block, put back or set as in another equaliser."""
    standing, n = model.rounded(before.x), model.n
    lines = [np.array([line, n + line]) for line in model.own]
    for places in [*model.free[:, None], *lines, *model.gain_places]:
        x = state.x.copy()
        x[places] = standing[places]
        yield x
    for places, others in itertools.permutations(model.gain_places, 2):
        if len(places) == len(others):
            x = state.x.copy()
            x[places] = x[others]
            if np.abs(model.rounded(x) - x).max() < _SAME:
                yield x
    for place in model.sign_places:
        x = state.x.copy()
        x[place] = standing[place]
        yield x
    yield standing
