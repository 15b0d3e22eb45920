"""Whether what was observed agrees, by band and by seat, beside what explains it.

Conventions
-----------
Differences in dB, one offset over all removed.

Which explanations stand: the likeliest, those that cannot be told from it, or none.

Shares are likelihoods times what is usual, over all explanations that were tried, summing to 1.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import msgspec
import numpy as np

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray
from roomeq.jobs.verifying.hypotheses import Explanation, Setup, explanations
from roomeq.jobs.verifying.observation import Change, Observation
from roomeq.plan.plan import Plan
from roomeq.plan.records import PresentRecord, is_stated
from roomeq.plan.verification import (
    BandCheck,
    Cause,
    CauseCode,
    SeatCheck,
    StatedJoiningSetting,
    StatedSetting,
)
from roomeq.room.room import Joined

STANDS = 0.1
"""Share of the likeliest explanation below which another does not stand beside it."""
MOST_IN_A_SET = 4
NEAR = 0.3
"""Share of the likeliest explanation from which "as planned" comes before it."""
MISFIT = 2.5
"""Mean square residual over scatter above which the best explanation explains nothing."""


def judge_causes(seen: Observation, setup: Setup) -> tuple[tuple[Cause, ...], Change]:
    """Return what explains the difference between plan and measurement, the likeliest first.

    And the change that the likeliest stands for; no cause and no change where nothing can be told.
    """
    ranked = explanations(seen, setup)
    top = ranked[0].score
    weights = [math.exp(max(one.score - top, -60.0)) for one in ranked]
    total = sum(weights)
    standing: list[tuple[Explanation, float]] = []
    for one, weight in zip(ranked, weights, strict=True):
        if weight >= STANDS and _kind(one) not in [_kind(s) for s, _ in standing]:
            standing.append((one, weight / total))
    # Where all may as well be as planned nobody is accused before it.
    planned = [one for one in standing if one[0].cause.code is CauseCode.AS_PLANNED]
    if planned and planned[0][1] >= NEAR * standing[0][1]:
        standing.sort(key=lambda one: one[0].cause.code is not CauseCode.AS_PLANNED)
    best = standing[0][0]
    spread = best.cause.code in (CauseCode.SEAT_MOVED, CauseCode.ALL_MOVED)
    unexplained = not spread and seen.misfit(best.left_db(seen)) > MISFIT
    codes = {one.cause.code for one, _ in standing}
    if best.cause.code is CauseCode.SOMETHING_ELSE or len(codes) > MOST_IN_A_SET or unexplained:
        return (), Change()
    causes = tuple(
        msgspec.structs.replace(one.cause, share=share)
        for one, share in standing
        if one.cause.code is not CauseCode.SOMETHING_ELSE
    )
    return causes, best.change


def _kind(one: Explanation) -> tuple[CauseCode, str | None]:
    """Return what an explanation speaks of: of each kind the likeliest is told, by subwoofer."""
    cause = one.cause
    return cause.code, cause.name if cause.code.value.startswith("subwoofer_") else None


AGREES_DB = 1.0
_SAME_DB = 1e-9
_CLOSE = 0.5
"""Share of "as planned" from which another cause is told in its place where seats or bands differ;
farther from it nothing is accused."""
_SURE = 0.95
"""Share of "as planned" from which a band may differ by what two measurements scatter. From 0.75 on
two single bands that were wrong by 3 dB passed at 1 dB of scatter, in six rooms."""
_BAND_SCATTERS, _SEAT_DB, _SEAT_SCATTERS = 3.0, 1.5, 2.0
"""How many standard deviations of a repeat a band may differ, over the root of the seats, and the
root mean square of a seat; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Agreement:
    """What stands, and what agrees.

    Attributes
    ----------
    causes : tuple of Cause
    unchanged : bool
        Whether the likeliest is that nothing differs.
    tolerance_db, offset_db : float
    seats : tuple of SeatCheck
    bands : tuple of BandCheck
    """

    causes: tuple[Cause, ...]
    unchanged: bool
    tolerance_db: float
    offset_db: float
    seats: tuple[SeatCheck, ...]
    bands: tuple[BandCheck, ...]


def judge_observation(
    seen: Observation, setup: Setup, labelled: Mapping[str, ThirdOctaveBand]
) -> Agreement:
    """Return what explains an observation, and which seats and bands agree.

    Parameters
    ----------
    seen : Observation
    setup : Setup
    labelled : mapping of str to ThirdOctaveBand
        Bands to be judged, by their labels.
    """
    causes, change = judge_causes(seen, setup)
    count = len(seen.parts[0].seats)
    tolerance = max(AGREES_DB, _BAND_SCATTERS * seen.doubtful_scatter_db / count**0.5)
    offset, left = seen.offset_db(change), seen.residuals_db(change)[0][0]
    bands = tuple(_band_checks(seen, labelled, offset, left, tolerance))
    unchanged = bool(causes) and causes[0].code is CauseCode.AS_PLANNED
    seats = []
    for seat in seen.seats:  # by the root mean square over all that was measured there
        rows = [p.difference_db[p.seats.index(seat)] for p in seen.parts if seat in p.seats]
        value = float(np.sqrt(np.mean((np.concatenate(rows) - offset) ** 2)))
        close = value <= seat_limit_db(seen.scatter_db)
        seats.append(SeatCheck(seat=seat, difference_db=value, agrees=close))
    most_differ = sum(row.agrees for row in seats) < 0.5 * len(seats)
    sure = unchanged and causes[0].share >= _SURE
    # what is predicted rests on a measurement that scattered as well
    limit = tolerance * (2.0**0.5 if sure else 1.0)
    apart = max((abs(row.difference_db) for row in bands), default=0.0)
    if unchanged and (most_differ or apart > limit):
        # what stands close beside it is told instead, if anything does
        least, unchanged = _CLOSE * causes[0].share, False
        causes = tuple(c for c in causes[1:] if c.share >= least)
    return Agreement(
        causes=causes,
        unchanged=unchanged,
        tolerance_db=tolerance,
        offset_db=offset,
        seats=tuple(seats),
        bands=bands,
    )


def seat_limit_db(scatter_db: float) -> float:
    """Return the root mean square that a seat may differ by, in dB."""
    return max(_SEAT_DB, _SEAT_SCATTERS * scatter_db)


def planned_db(plan: Plan) -> dict[str, float | None]:
    """Return what a plan sets the bands and the level to, by label, in dB."""
    return {band.label: band.gain_db for band in plan.bands} | {"level": plan.level.setting_db}


def stated_otherwise(
    planned: Mapping[str, float | None],
    stated: Mapping[str, float | None],
    *,
    subwoofer: str | None = None,
) -> tuple[StatedSetting, ...]:
    """Return the settings in dB, by label, that are stated to be others than planned."""
    pairs = [(label, value, stated.get(label)) for label, value in planned.items()]
    return tuple(
        StatedSetting(label=label, planned_db=one, stated_db=float(other), subwoofer=subwoofer)
        for label, one, other in pairs
        if one is not None and other is not None and abs(one - other) > _SAME_DB
    )


def _band_checks(
    seen: Observation,
    labelled: Mapping[str, ThirdOctaveBand],
    offset_db: float,
    left_db: FloatArray,
    tolerance: float,
) -> Iterator[BandCheck]:
    """Judge each band by the mean over seats, and what the likeliest cause leaves of it."""
    part, scatter_db = seen.parts[0], seen.scatter_db
    spread = part.means / np.maximum(part.means.max(axis=0), 1e-12)
    mean = part.mean_db(part.difference_db - offset_db, scatter_db)
    unexplained = part.mean_db(left_db @ spread.T, scatter_db)
    for label, band in labelled.items():
        inside = (part.frequencies >= band.lower) & (part.frequencies < band.upper)
        if inside.any():
            value = float(mean[inside].mean())
            yield BandCheck(
                label=label,
                difference_db=value,
                unexplained_db=float(unexplained[inside].mean()),
                agrees=abs(value) <= tolerance,
            )


_CHANGES = ("delay_ms", "polarity")
_SAME = {"delay_ms": 0.006, "phase_deg": 1e-9}  # a plan shows two decimals of a delay


def told_otherwise(
    planned: Joined,
    stated: Joined,
    *,
    before: PresentRecord | None = None,
    subwoofer: str | None = None,
) -> Iterator[StatedJoiningSetting]:
    """Yield delay in ms, polarity and phase in degrees that are stated to be others than planned.

    Parameters
    ----------
    planned, stated : dict
        By what they are of; what is not known is not compared.
    before : PresentRecord, optional
        What was stated when it was planned: else the plan has changes of delay and polarity only.
    subwoofer : str, optional
        Which of several they are of.
    """
    for label, one in planned.items():
        other, only_change = stated.get(label), label in _CHANGES and not is_stated(before, label)
        if one is None or other is None or only_change:
            continue
        same = one == other
        if isinstance(one, float) and isinstance(other, float):
            same = abs(one - other) <= _SAME[label]
        if not same:
            yield StatedJoiningSetting(label=label, planned=one, stated=other, subwoofer=subwoofer)
