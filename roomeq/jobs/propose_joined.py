"""Joining in a proposal: what the steps set, put into a plan with its cautions.

Conventions
-----------
Levels and gains in dB, frequencies in Hz, delays in s. The steps are those of
`roomeq.jobs.joining.solution`; here high-pass and bands are judged once more as for the subwoofer
alone. Nothing here computes acoustics; figures come from `roomeq.optimiser`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from roomeq.base.cautions import Caution, CautionCode
from roomeq.jobs.drive.bands import BandSearch
from roomeq.jobs.drive.headroom import Proposal, fit_within_headroom
from roomeq.jobs.joining.path import described_path
from roomeq.jobs.joining.solution import Joining, joining_record, solve_joining
from roomeq.jobs.joining.steps import joining_data
from roomeq.optimiser.bands.fit import ChosenGains
from roomeq.optimiser.joining.data import JoiningNote
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.records import QCheck
from roomeq.room.room import Room

Q_FACTORS = (0.7, 1.4)
_BYPASS_RECKONED = (
    "the bypass is reckoned into what was measured of the subwoofer alone, also in what is called "
    "now there"
)


def joining_obstacle(room: Room) -> str | None:
    """Say why subwoofer and mains are not joined although it was meant; None if they may be.

    What the measurements do not suffice for is told by the steps.
    """
    setup = room.joining
    if room.source != "sub":
        return None
    if "mains" not in room.survey.sources:
        meant = setup.common_time_reference and not room.subwoofers  # else it may be of those
        return "the mains were not measured by themselves" if meant else None
    if not setup.common_time_reference:
        return (
            "they were not measured against one time reference ([timing]); roomeq join tells what "
            "levels alone can"
        )
    if room.corner_origin != "path":
        return "the low-pass in the subwoofer's path is not described ([[path]])"
    if room.equaliser.shapes is not None:
        return (
            "the phase of the device's bands is not known; roomeq join chooses delay and polarity "
            "with the present bands"
        )
    return None


def proposal_with_mains(
    room: Room, search: BandSearch, *, keep_bands: bool = False, now: Room | None = None
) -> Proposal:
    """Choose settings by the sum with the mains; the subwoofer's own where joining has no say.

    Parameters
    ----------
    room : Room
    search : BandSearch
        How the bands of the subwoofer alone are searched.
    keep_bands : bool
        Whether bands and level stay as they are, and only the rest is set.
    now : Room, optional
        What "now" refers to, where something was set already.
    """
    obstacle = joining_obstacle(room)
    if obstacle is None and room.source == "sub" and "mains" in room.survey.sources:
        try:
            return _joined(room, search, keep_bands=keep_bands, now=now)
        except ValueError as error:  # also where another high-pass forbids what the sum asks for
            obstacle = str(error)
    alone = fit_within_headroom(room, search)
    if obstacle is None:
        return alone
    said = f"subwoofer and mains are not joined: {obstacle}"
    return replace(alone, assumptions=(*alone.assumptions, said))


def _joined(room: Room, search: BandSearch, *, keep_bands: bool, now: Room | None) -> Proposal:
    """Choose settings by the sum, judged as for the subwoofer alone, behind its filters.

    Raises
    ------
    ValueError
        If they break a limit behind the high-pass that goes with them, or nothing can be joined.
    """
    found = solve_joining(room, keep_bands=keep_bands)
    if now is not None:
        found = replace(found, measured=joining_data(now, found.offer))
    residual = found.measured.sum_residual_db
    if residual is not None and JoiningNote.SUM_DISAGREES in found.measured.notes:
        alone = fit_within_headroom(room, replace(search, keep_level=True))
        caution = Caution(code=CautionCode.SUM_DISAGREES, value=float(np.nanmax(residual)))
        return replace(alone, joining_cautions=(caution,))
    chosen = ChosenGains(gains_db=found.gains_db, level_change_db=found.settings.level_change_db)
    left = _with_bands_locked(found.left) if keep_bands else found.left
    judged = fit_within_headroom(left, replace(search, chosen=chosen))
    record = joining_record(found, leave_out=not keep_bands)
    return replace(
        judged,
        joining=record,
        joining_cautions=_cautions(record),
        assumptions=(*judged.assumptions, *([_BYPASS_RECKONED] if record.bypass else [])),
        q_checks=() if found.no_change or keep_bands else _q_checks(room, found),
    )


def proposal_of_joined(room: Room, search: BandSearch, record: JoiningRecord) -> Proposal:
    """Keep bands and level beside a joining that was found from levels alone.

    Parameters
    ----------
    room : Room
    search : BandSearch
        As for `proposal_with_mains`.
    record : JoiningRecord
    """
    chosen = ChosenGains(gains_db=room.present.gains_db)
    alone = fit_within_headroom(_with_bands_locked(room), replace(search, chosen=chosen))
    said = "subwoofer and mains are joined by levels alone, as was decided"
    return replace(
        alone,
        joining=record,
        joining_cautions=_cautions(record),
        assumptions=(*alone.assumptions, said),
    )


def _with_bands_locked(room: Room) -> Room:
    """Return the room with every band that is set locked: what only is joined moves none."""
    bands = zip(room.equaliser.bands, room.present.gains_db, strict=True)
    held = (*room.limits.locked, *(band.nominal for band, gain in bands if gain))
    return replace(room, limits=replace(room.limits, locked=tuple(dict.fromkeys(held))))


def _q_checks(room: Room, found: Joining) -> tuple[QCheck, ...]:
    """Return the deviation of the sum, if every Q were a multiple of the assumed one.

    What was measured holds the present bands at their true Q: another Q changes the prediction.
    """
    equaliser, bands, chosen = room.equaliser, found.bands, found.setting
    if equaliser.q_law.measured or bands is None or chosen is None:
        return ()
    checks, before_db, points = [], bands.present().deviation_db, found.data.points
    for factor in Q_FACTORS:
        other = equaliser.scaled_q(factor)
        now = other.response(room.present.gains_db, points)
        change = other.response(chosen.gains_db, points) / now / bands.change(chosen.gains_db)
        after_db = bands.with_sub(change).deviation_db(chosen.gains_db, chosen.level_change_db)
        checks.append(QCheck(factor=factor, before_db=before_db, after_db=after_db))
    return tuple(checks)


def _cautions(record: JoiningRecord) -> tuple[Caution, ...]:
    """Return what to be careful of when joining."""
    found, alignment = [], record.alignment
    told = None if record.polarity is None else record.polarity.inverted
    if record.changes and alignment.either_polarity and told is None:
        found.append(Caution(code=CautionCode.JOINING_AMBIGUOUS, value=alignment.least_db))
    if alignment.at_end:
        found.append(Caution(code=CautionCode.JOINING_AT_END, name="delay"))
    if told:
        found.append(Caution(code=CautionCode.CHECK_WIRING))
    return tuple(found)


def path_cautions(room: Room, record: JoiningRecord | None = None) -> tuple[Caution, ...]:
    """Return that a low-pass is engaged twice, and what to bypass.

    Where nothing is joined, or no bypass is part of it, the settings hold with it engaged.
    """
    analysis = described_path(room)
    if analysis is None or analysis.recommended is None:
        return ()
    names = " and ".join(f"the {one}" for one in analysis.recommended.filters)
    twice = CautionCode.LOW_PASS_TWICE
    if record is None or not record.bypass:
        twice = CautionCode.LOW_PASS_TWICE_LEFT
    return (Caution(code=twice, value=analysis.recommended.gain_db, name=names),)
