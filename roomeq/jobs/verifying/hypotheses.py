"""What may have gone wrong, in families: for each the candidates that explain the most.

Conventions
-----------
A finding's `score` is its log-likelihood less what its freedom costs: half the logarithm of the
number of observations for each value that is fitted, the logarithm of how many alternatives it was
chosen from, and what makes it less usual than another (`_UNUSUAL`; common practice, no source).
Gains in dB, delays in s, frequencies in Hz.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.jobs.verifying.observation import Change, Observation
from roomeq.plan.verification import Cause, CauseCode

_UNUSUAL = {
    CauseCode.AS_PLANNED: 0.0,
    **dict.fromkeys((CauseCode.AS_BEFORE, CauseCode.OTHER_PLAN), 2.5),
    **dict.fromkeys((CauseCode.MAINS_LEVEL, CauseCode.SIGNS, CauseCode.SCALED), 3.5),
    **dict.fromkeys((CauseCode.SHIFTED, CauseCode.EXCHANGED, CauseCode.MICROPHONE), 3.5),
    **dict.fromkeys((CauseCode.SEAT_MOVED, CauseCode.SEATS_EXCHANGED), 3.5),
    **dict.fromkeys((CauseCode.WIDTH, CauseCode.HIGH_PASS, CauseCode.LOW_PASS), 4.5),
    **dict.fromkeys((CauseCode.MAINS_HIGH_PASS, CauseCode.ALL_MOVED), 4.5),
    **dict.fromkeys((CauseCode.TWO_BANDS, CauseCode.SOMETHING_ELSE), 5.5),
}
_USUAL = 3.0  # of all others
_MOVED_DB = 4.0
"""How far a microphone elsewhere differs, in dB; common practice, no source."""
_MOVED_DB_AT_100_HZ = (1.5, 3.0, 5.0)
_DELAYS = np.concatenate([np.arange(-80, -3), np.arange(4, 81)]) * 0.25e-3
_LEVELS = np.concatenate([np.arange(-12.0, -1.4, 0.5), np.arange(1.5, 12.1, 0.5)])
_FACTORS = np.append(0.05 * np.arange(4, 18), 0.1 * np.arange(12, 26)).round(2).tolist()
_SILENT_DB = -200.0
_Choice = tuple[tuple[int, int], ...]
_Choices = Sequence[_Choice]
_Q_FACTORS = (0.4, 0.5, 0.6, 0.7, 1.4, 1.7, 2.0, 2.5)
MATERIAL_DB = 1.5
"""Smaller differences are not looked for; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setup:
    """What the plan set, what stood before, and what else may be in force.

    Attributes
    ----------
    equaliser : FixedBandEqualiser or None
        None where its bands' shapes are not in the plan.
    gains_db, present_db : ndarray, shape (N,)
        As planned, and before.
    others : mapping of str to ndarray
        Gains of further plans, by their names.
    others_level_db : mapping of str to float
        How much louder they set the subwoofer; nothing where that is not known.
    microphone_db : callable or None
        Hz to the correction that was applied, in dB.
    sum_known : bool
        Whether subwoofer and mains can be told apart in a sum.
    both_alone : bool
        Whether subwoofer and mains were measured each alone, so that levels against each other
        tell.
    lists : bool
        Whether a list of gains was just set, and may have been set wrongly as a whole.
    """

    equaliser: FixedBandEqualiser | None
    gains_db: FloatArray
    present_db: FloatArray
    others: dict[str, FloatArray]
    others_level_db: dict[str, float] = field(default_factory=dict)
    microphone_db: Callable[[FloatArray], FloatArray] | None = None
    sum_known: bool = False
    both_alone: bool = False
    lists: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Explanation:
    """A cause, how well it explains what was measured, and the change it stands for."""

    cause: Cause
    score: float
    change: Change
    left: list[FloatArray] | None = None

    def left_db(self, seen: Observation) -> list[FloatArray]:
        """Return what it leaves, by part, shape (1, S, B)."""
        return seen.residuals_db(self.change) if self.left is None else self.left


def explanations(seen: Observation, setup: Setup) -> list[Explanation]:
    """Return the best explanation of every kind, the likeliest first."""
    found = [_one(seen, Cause(code=CauseCode.AS_PLANNED), Change())]
    if setup.equaliser is not None:
        found += _whole_lists(seen, setup, setup.equaliser)
        found += _single_bands(seen, setup, setup.equaliser)
    elif seen.parts[0].of_each:
        found += _as_before(seen)
    names = seen.parts[0].of_each
    for name in names:
        found += _one_of_several(seen, name, len(names))
    found += _filters(seen, with_mains=setup.sum_known)
    if setup.microphone_db is not None:
        found += _microphone(seen, setup.microphone_db)
    if setup.sum_known:
        found.append(_one(seen, Cause(code=CauseCode.POLARITY), Change(sign=-1.0)))
        found.append(_best(seen, CauseCode.DELAY, lambda d: Change(delay=d), _DELAYS))
    if setup.sum_known or setup.both_alone:
        found.append(_best(seen, CauseCode.LEVEL, lambda x: Change(sub_db=x), _LEVELS))
        found.append(_best(seen, CauseCode.MAINS_LEVEL, lambda x: Change(mains_db=x), _LEVELS))
    found += _places(seen)
    found.append(_something_else(seen))
    return sorted(found, key=lambda one: -one.score)


def _one(
    seen: Observation,
    cause: Cause,
    change: Change,
    *,
    values: float = 0,
    of: int = 1,
    left: list[FloatArray] | None = None,
    further_db: list[FloatArray] | None = None,
) -> Explanation:
    """Return a single candidate as an explanation, judged by `left` where that is given.

    Its freedom costs: values fitted, alternatives, how unusual it is.
    """
    score = seen.score(change) if left is None else seen.score_of(left, further_db=further_db)
    cost = (
        _UNUSUAL.get(cause.code, _USUAL)
        + 0.5 * values * math.log(max(seen.count, 2.0))
        + math.log(of)
    )
    return Explanation(cause=cause, score=float(score[0]) - cost, change=change, left=left)


def _best(
    seen: Observation,
    code: CauseCode,
    make: Callable[[FloatArray], Change],
    grid: FloatArray,
    *,
    name: str | None = None,
    of: int = 1,
) -> Explanation:
    """Return the best of candidates that differ in one value."""
    best = float(grid[int(np.argmax(seen.score(make(grid))))])
    cause = Cause(code=code, value=best, name=name)
    return _one(seen, cause, make(np.array([best])), values=1, of=of)


def _gains(
    equaliser: FixedBandEqualiser, gains_db: FloatArray, *, setup: Setup, sub_db: float = 0.0
) -> Change:
    """Return the change to other gains, or to another equaliser."""
    kept = (gains_db == setup.gains_db) & (equaliser is setup.equaliser)  # these change nothing

    def ratio(frequencies: FloatArray) -> ComplexArray:
        assert setup.equaliser is not None
        planned = setup.equaliser.response(np.where(kept, 0.0, setup.gains_db), frequencies)
        return equaliser.response(np.where(kept, 0.0, gains_db), frequencies) / planned

    return Change(transfer=ratio, sub_db=sub_db)


def gains_in_force_db(cause: Cause, setup: Setup) -> FloatArray | None:
    """Return the gains that a cause says are in force, in dB, shape (N,); None where it does not.

    Of a cause that speaks of something else the planned ones.
    """
    planned, equaliser = setup.gains_db, setup.equaliser
    if equaliser is None or cause.code is CauseCode.WIDTH:
        return None
    index = [equaliser.labels.index(label) for label in cause.bands]
    value = cause.value or 0.0
    whole = {
        CauseCode.AS_BEFORE: setup.present_db,
        CauseCode.OTHER_PLAN: setup.others.get(cause.name or "", planned),
        CauseCode.BANDS_OFF: 0.0 * planned,
        CauseCode.SIGNS: -planned,
        CauseCode.SCALED: value * planned,
        CauseCode.SHIFTED: np.roll(planned, int(value)),
    }
    gains: FloatArray = whole.get(cause.code, planned).copy()
    if cause.code is CauseCode.SHIFTED:
        gains[0 if value > 0 else -1] = 0.0
    elif cause.code is CauseCode.EXCHANGED:
        gains[index] = planned[index[::-1]]
    elif cause.code in (CauseCode.BAND, CauseCode.TWO_BANDS):
        gains[index] = cause.gains_db
    return np.clip(gains, equaliser.lowest_db, equaliser.highest_db)


def _whole_lists(
    seen: Observation, setup: Setup, equaliser: FixedBandEqualiser
) -> Iterator[Explanation]:
    """Yield what is wrong with the whole list of gains."""
    pairs = list(itertools.combinations(equaliser.labels, 2))
    alternatives = {
        CauseCode.AS_BEFORE: [Cause(code=CauseCode.AS_BEFORE)],
        CauseCode.OTHER_PLAN: [Cause(code=CauseCode.OTHER_PLAN, name=n) for n in setup.others],
        CauseCode.BANDS_OFF: [Cause(code=CauseCode.BANDS_OFF)],
        CauseCode.SIGNS: [Cause(code=CauseCode.SIGNS)],
        CauseCode.SCALED: [Cause(code=CauseCode.SCALED, value=x) for x in _FACTORS],
        CauseCode.SHIFTED: [Cause(code=CauseCode.SHIFTED, value=x) for x in (1.0, -1.0)],
        CauseCode.EXCHANGED: [Cause(code=CauseCode.EXCHANGED, bands=pair) for pair in pairs],
        CauseCode.WIDTH: [Cause(code=CauseCode.WIDTH, value=x) for x in _Q_FACTORS],
    }
    if not setup.lists:
        kept = (CauseCode.OTHER_PLAN, CauseCode.BANDS_OFF)
        alternatives = {code: alternatives[code] for code in kept}
    told = setup.sum_known or setup.both_alone  # else a level is the offset that is left
    levels_db = setup.others_level_db if told else {}
    for code, causes in alternatives.items():
        tried = []
        for cause in causes:
            gains = gains_in_force_db(cause, setup)
            if gains is None:
                other = equaliser.scaled_q(cause.value or 1.0)
                tried.append((cause, _gains(other, setup.gains_db, setup=setup)))
            elif np.abs(gains - setup.gains_db).max() >= MATERIAL_DB:
                sub_db = levels_db.get(cause.name or "", 0.0)
                tried.append((cause, _gains(equaliser, gains, setup=setup, sub_db=sub_db)))
        values, of = (1, 1) if code in (CauseCode.SCALED, CauseCode.WIDTH) else (0, len(tried))
        found = [_one(seen, cause, change, values=values, of=of) for cause, change in tried]
        if found:
            yield max(found, key=lambda one: one.score)
    yield from _as_before(seen)


def _as_before(seen: Observation) -> Iterator[Explanation]:
    """Yield that nothing was set, by the curves of before: filters to be bypassed were in them."""
    before = []
    for part in seen.parts:
        was_db = part.before_db if part.raised_db is None else part.before_db - part.raised_db
        before.append((part.binned_db - was_db @ part.means)[None])
    if max(float(np.abs(part.before_db).max()) for part in seen.parts) >= MATERIAL_DB:
        left, _ = seen.centred(before)
        yield _one(seen, Cause(code=CauseCode.AS_BEFORE), Change(), left=left)


def _one_of_several(seen: Observation, name: str, of: int) -> Iterator[Explanation]:
    """Yield that one of several subwoofers is off, inverted, late or at another level.

    Of each: of two, the one inverted is heard as the other one inverted, and late as the other one
    early.
    """
    for code, change in (
        (CauseCode.SUBWOOFER_OFF, Change(of=name, sub_db=_SILENT_DB)),
        (CauseCode.SUBWOOFER_INVERTED, Change(of=name, sign=-1.0)),
    ):
        yield _one(seen, Cause(code=code, name=name), change, of=of)
    late, level = CauseCode.SUBWOOFER_DELAY, CauseCode.SUBWOOFER_LEVEL
    yield _best(seen, late, lambda d: Change(of=name, delay=d), _DELAYS, name=name, of=of)
    yield _best(seen, level, lambda x: Change(of=name, sub_db=x), _LEVELS, name=name, of=of)


def _single_bands(
    seen: Observation, setup: Setup, equaliser: FixedBandEqualiser
) -> Iterator[Explanation]:
    """Yield one band, and two bands, with other gains.

    A choice is of bands with the places of their gains in the grid.
    """
    planned, grid, bands = setup.gains_db, equaliser.gain_grid_db, range(setup.gains_db.size)
    tables = {
        part.frequencies.tobytes(): np.array(
            [
                equaliser.band_ratio(i, part.frequencies, grid)
                / equaliser.band_ratio(i, part.frequencies, planned[i])
                for i in bands
            ]
        )
        for part in seen.parts
    }

    def set_to(choices: _Choices, sub_db: float = 0.0) -> Change:
        """Return what bands at other gains change against what they have."""
        band, gain = np.moveaxis(np.array(choices), -1, 0)
        return Change(
            transfer=lambda f: tables[f.tobytes()][band, gain].prod(axis=1), sub_db=sub_db
        )

    def cause_of(choice: _Choice, code: CauseCode, value: float | None = None) -> Cause:
        labels = tuple(equaliser.labels[band] for band, _ in choice)
        gains_db = tuple(float(grid[gain]) for _, gain in choice)
        return Cause(code=code, bands=labels, gains_db=gains_db, value=value)

    def best_of(choices: _Choices, code: CauseCode, of: int) -> Explanation:
        best = choices[int(np.argmax(seen.score(set_to(choices))))]
        return _one(seen, cause_of(best, code), set_to([best]), values=len(best), of=of)

    apart = [np.flatnonzero(np.abs(grid - own) >= MATERIAL_DB).tolist() for own in planned]
    singles = [((i, k),) for i in bands for k in apart[i]]
    for index in bands:
        yield best_of([one for one in singles if one[0][0] == index], CauseCode.BAND, planned.size)
    if setup.sum_known and len(seen.parts) + (seen.parts[0].with_mains is not None) > 1:
        levels = _LEVELS[::2].tolist()  # of the subwoofer, wrong together with a band
        scores = np.array([seen.score(set_to(singles, level)) for level in levels])
        row, column = divmod(int(scores.argmax()), len(singles))
        one, level = singles[column], levels[row]
        cause = cause_of(one, CauseCode.BAND, level)
        yield _one(seen, cause, set_to([one], level), values=4, of=planned.size)  # two faults
    steps = np.arange(grid[0], grid[-1] + 0.1, 2.0)
    coarse = set(np.abs(grid - steps[:, None]).argmin(axis=1).tolist())
    pairs = list(itertools.combinations(bands, 2))
    ranked = []
    for a, b in pairs:
        choices = [
            ((a, x), (b, y)) for x in apart[a] for y in apart[b] if x in coarse and y in coarse
        ]
        scores = seen.score(set_to(choices))
        ranked.append((float(scores.max()), choices[int(np.argmax(scores))]))
    for _, ((a, first), (b, second)) in sorted(ranked, key=lambda one: -one[0])[:3]:
        near = [
            ((a, x), (b, y))
            for x in apart[a]
            for y in apart[b]
            if abs(grid[x] - grid[first]) <= 2.0 and abs(grid[y] - grid[second]) <= 2.0
        ]
        yield best_of(near, CauseCode.TWO_BANDS, len(pairs))


def _filters(seen: Observation, *, with_mains: bool) -> Iterator[Explanation]:
    """Yield a high-pass or a low-pass that is on and should not be, or off and should be."""
    lows, highs = np.geomspace(15.0, 60.0, 13), np.geomspace(40.0, 160.0, 13)
    kinds = [
        (CauseCode.HIGH_PASS, "high_pass", lows, "transfer"),
        (CauseCode.LOW_PASS, "low_pass", highs, "transfer"),
    ]
    if with_mains:
        kinds.append((CauseCode.MAINS_HIGH_PASS, "high_pass", highs, "mains_transfer"))
    for code, kind, corners, branch in kinds:
        for wanted in (1, -1):
            tried = [
                CrossoverFilter(kind=kind, family=family, order=order, corner=float(corner))  # type: ignore[arg-type]
                for family, order in (("butterworth", 2), ("linkwitz_riley", 4), ("butterworth", 3))
                for corner in corners
            ]

            best = tried[int(np.argmax(seen.score(_switched(branch, tried, wanted))))]
            cause = Cause(code=code, value=best.corner, engaged=wanted > 0)
            yield _one(seen, cause, _switched(branch, [best], wanted), values=1, of=6)


def _switched(branch: str, tried: Sequence[CrossoverFilter], wanted: int) -> Change:
    """Return filters of a branch on (1) or off (-1)."""
    return Change(
        **{branch: lambda f: np.array([one.response(f) ** wanted for one in tried])}  # type: ignore[arg-type]
    )


def _microphone(
    seen: Observation, correction_db: Callable[[FloatArray], FloatArray]
) -> Iterator[Explanation]:
    """Yield a microphone correction that is missing, or applied twice: whatever was measured."""
    for sign in (-1, 1):

        def heard(f: FloatArray, sign: int = sign) -> ComplexArray:
            return np.asarray(10.0 ** (sign * correction_db(f) / 20.0) + 0j)

        change = Change(transfer=heard, mains_transfer=heard)
        yield _one(seen, Cause(code=CauseCode.MICROPHONE, engaged=sign > 0), change, of=2)


def _places(seen: Observation) -> Iterator[Explanation]:
    """Yield microphones that stood elsewhere, and files that were exchanged."""
    seats, same = seen.seats, Change()
    left = seen.residuals_db(same)
    for seat in seats if len(seats) > 1 else ():
        further = [
            np.array([[_MOVED_DB if name == seat else 0.0] for name in part.seats])
            for part in seen.parts
        ]
        cause = Cause(code=CauseCode.SEAT_MOVED, seats=(seat,))
        yield _one(seen, cause, same, values=1, of=len(seats), left=left, further_db=further)
    pairs = list(itertools.combinations(seats, 2))
    for pair in pairs:
        swapped = []
        for part, rows in zip(seen.parts, left, strict=True):
            own = rows.copy()
            if set(pair) <= set(part.seats):
                a, b = (part.seats.index(name) for name in pair)
                binned = part.predicted_db @ part.means
                own[0, a] += binned[a] - binned[b]
                own[0, b] += binned[b] - binned[a]
            swapped.append(own)
        cause = Cause(code=CauseCode.SEATS_EXCHANGED, seats=pair)
        yield _one(seen, cause, same, of=len(pairs), left=swapped)
    centres = [np.exp(np.log(part.frequencies) @ part.means) for part in seen.parts]
    for at_100 in _MOVED_DB_AT_100_HZ:
        further = [np.asarray([at_100 * row / 100.0]) for row in centres]
        cause = Cause(code=CauseCode.ALL_MOVED, value=at_100)
        of = len(_MOVED_DB_AT_100_HZ)
        yield _one(seen, cause, same, values=1, of=of, left=left, further_db=further)


def _something_else(seen: Observation) -> Explanation:
    """Return that the seats agree on a difference which nothing here explains.

    The mean over the seats is then anything, at the price of one value for each bin of it.
    """
    left, bins = [], 0
    for part in seen.parts:
        rows = part.binned_db
        left.append((rows - np.median(rows, axis=0))[None])
        bins += part.means.shape[1] if part.with_mains is None else rows.size
    cause = Cause(code=CauseCode.SOMETHING_ELSE)
    return _one(seen, cause, Change(), values=0.5 * bins, left=left)
