"""Whether what was observed agrees, by band and by seat, beside what explains it.

Conventions
-----------
Differences in dB, one offset over all removed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from roomeq.base.bands import ThirdOctaveBand
from roomeq.base.levels import FloatArray
from roomeq.jobs.verifying.causes import judge_causes
from roomeq.jobs.verifying.hypotheses import Setup
from roomeq.jobs.verifying.observation import Observation, Part
from roomeq.plan.plan import Plan
from roomeq.plan.verification import BandCheck, Cause, CauseCode, SeatCheck, StatedSetting

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
    judged, first = judge_causes(seen, setup), seen.parts[0]
    tolerance = max(AGREES_DB, _BAND_SCATTERS * seen.doubtful_scatter_db / len(first.seats) ** 0.5)
    offset, left = seen.offset_db(judged.change), seen.residuals_db(judged.change)[0][0]
    bands = _band_checks(labelled, first, offset, left, seen.scatter_db, tolerance=tolerance)
    causes = judged.causes
    unchanged = bool(causes) and causes[0].code is CauseCode.AS_PLANNED
    seats = _seat_checks(seen, offset)
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
        seats=seats,
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


def _seat_checks(seen: Observation, offset_db: float) -> tuple[SeatCheck, ...]:
    """Judge each seat by the root mean square of what differs over all that was measured there."""
    limit = seat_limit_db(seen.scatter_db)
    checks = []
    for seat in seen.seats:
        rows = [p.difference_db[p.seats.index(seat)] for p in seen.parts if seat in p.seats]
        value = float(np.sqrt(np.mean((np.concatenate(rows) - offset_db) ** 2)))
        checks.append(SeatCheck(seat=seat, difference_db=value, agrees=value <= limit))
    return tuple(checks)


def _band_checks(
    labelled: Mapping[str, ThirdOctaveBand],
    part: Part,
    offset_db: float,
    left_db: FloatArray,
    scatter_db: float,
    *,
    tolerance: float,
) -> tuple[BandCheck, ...]:
    """Judge each band by the mean over seats, and what the likeliest cause leaves of it."""
    spread = part.means / np.maximum(part.means.max(axis=0), 1e-12)
    mean = part.mean_db(part.difference_db - offset_db, scatter_db)
    unexplained = part.mean_db(left_db @ spread.T, scatter_db)
    checks = []
    for label, band in labelled.items():
        inside = (part.frequencies >= band.lower) & (part.frequencies < band.upper)
        if inside.any():
            value = float(mean[inside].mean())
            checks.append(
                BandCheck(
                    label=label,
                    difference_db=value,
                    unexplained_db=float(unexplained[inside].mean()),
                    agrees=abs(value) <= tolerance,
                )
            )
    return tuple(checks)
