"""Which explanations stand: the likeliest, those that cannot be told from it, or none.

Conventions
-----------
Shares are likelihoods times what is usual, over all explanations that were tried, summing to 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import msgspec

from roomeq.jobs.verifying.hypotheses import Explanation, Setup, explanations
from roomeq.jobs.verifying.observation import Change, Observation
from roomeq.plan.verification import Cause, CauseCode

STANDS = 0.1
"""Share of the likeliest explanation below which another does not stand beside it."""
MOST_IN_A_SET = 4
NEAR = 0.3
"""Share of the likeliest explanation from which "as planned" comes before it."""
MISFIT = 2.5
"""Mean square residual over scatter above which the best explanation explains nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judgement:
    """What stands, the likeliest first; empty where nothing can be told.

    Attributes
    ----------
    causes : tuple of Cause
    change : Change
        Of the likeliest; no change where nothing can be told.
    """

    causes: tuple[Cause, ...]
    change: Change


def judge_causes(seen: Observation, setup: Setup) -> Judgement:
    """Return what explains the difference between plan and measurement."""
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
        return Judgement(causes=(), change=Change())
    causes = tuple(
        msgspec.structs.replace(one.cause, share=share)
        for one, share in standing
        if one.cause.code is not CauseCode.SOMETHING_ELSE
    )
    return Judgement(causes=causes, change=best.change)


def _kind(one: Explanation) -> tuple[CauseCode, str | None]:
    """Return what an explanation speaks of: of each kind the likeliest is told, by subwoofer."""
    cause = one.cause
    return cause.code, cause.name if cause.code.value.startswith("subwoofer_") else None
