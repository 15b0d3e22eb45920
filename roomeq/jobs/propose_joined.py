"""Joining in a proposal: what the steps set, put into a plan with its cautions.

Conventions
-----------
Levels and gains in dB, frequencies in Hz, delays in s. The steps are those of
`roomeq.jobs.joining.solution`; here high-pass and bands are judged once more as for the subwoofer
alone. Nothing here computes acoustics; figures come from `roomeq.optimiser`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol

import numpy as np

from roomeq.base.response import ComplexArray
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.jobs.drive.headroom import DriveProposal, fit_within_headroom
from roomeq.jobs.joining.offer import joining_offer
from roomeq.jobs.joining.path import described_path
from roomeq.jobs.joining.solution import Joining, joining_record, solve_joining
from roomeq.jobs.joining.steps import with_bypass
from roomeq.optimiser.bands.fit import BandGainFit, ChosenGains
from roomeq.optimiser.joining.data import JoiningNote
from roomeq.plan.joining import JoiningRecord
from roomeq.plan.records import Caution, CautionCode, QCheck
from roomeq.room.room import Room

__all__ = [
    "Q_FACTORS",
    "JointProposal",
    "joining_obstacle",
    "path_cautions",
    "proposal_of_joined",
    "proposal_with_mains",
]

Q_FACTORS = (0.7, 1.4)


class Fit(Protocol):
    """Fits the band gains of a room, or judges chosen ones."""

    def __call__(self, room: Room, *, chosen: ChosenGains | None = None) -> BandGainFit: ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointProposal:
    """Settings of the subwoofer, chosen by the sum with the mains where that can be.

    Attributes
    ----------
    drive : DriveProposal
        Bands and high-pass judged as for the subwoofer alone.
    record : JoiningRecord or None
        None where nothing is joined.
    level_change_db : float
        Of the level knob.
    cautions : tuple of Caution
    assumptions : tuple of str
    q_checks : tuple of QCheck
        Deviation of the sum, if every Q were a multiple of the assumed one.
    """

    drive: DriveProposal
    record: JoiningRecord | None = None
    cautions: tuple[Caution, ...] = ()
    assumptions: tuple[str, ...] = ()
    level_change_db: float = 0.0
    q_checks: tuple[QCheck, ...] = ()


def joining_obstacle(room: Room) -> str | None:
    """Say why subwoofer and mains are not joined although it was meant; None if they can be."""
    setup = room.joining
    if room.source != "sub":
        return None
    if "mains" not in room.survey.sources:
        if not setup.common_time_reference:
            return None
        return "subwoofer and mains are not joined: the mains were not measured by themselves"
    if not setup.common_time_reference:
        return (
            "subwoofer and mains are not joined: they were not measured against one time reference "
            "([timing]); roomeq join tells what levels alone can"
        )
    if room.corner_origin != "path":
        return (
            "subwoofer and mains are not joined: the low-pass in the subwoofer's path is not "
            "described ([[path]])"
        )
    if room.equaliser.shapes is not None:
        return (
            "subwoofer and mains are not joined: the phase of the device's bands is not known; "
            "roomeq join chooses delay and polarity with the present bands"
        )
    branches = [
        [m for m in room.survey.at_seat(seat) if m.source in ("sub", "mains")]
        for seat in room.survey.seats
    ]
    pairs = [measured for measured in branches if len({m.source for m in measured}) > 1]
    if not pairs:
        return "subwoofer and mains are not joined: at no seat were both measured"
    unphased = [
        m.file or m.seat for measured in pairs for m in measured if not m.response.has_phase
    ]
    if unphased:
        return f"subwoofer and mains are not joined: {unphased[0]} has no phase"
    return None


def proposal_with_mains(room: Room, *, fit: Fit, keep_bands: bool = False) -> JointProposal:
    """Choose settings by the sum with the mains; the subwoofer's own where joining has no say.

    Parameters
    ----------
    room : Room
    fit : callable
        Fits the band gains of a room, or judges chosen ones.
    keep_bands : bool
        Whether bands and level stay as they are, and only the rest is set.
    """
    obstacle = joining_obstacle(room)
    if obstacle is not None or "mains" not in room.survey.sources or room.source != "sub":
        said = () if obstacle is None else (obstacle,)
        return JointProposal(drive=fit_within_headroom(room, fit=fit), assumptions=said)
    try:
        found = solve_joining(room, joining_offer(room), keep_bands=keep_bands)
        if JoiningNote.SUM_DISAGREES in found.measured.notes:
            drive = fit_within_headroom(room, fit=partial(_at_this_level, fit=fit))
            return JointProposal(drive=drive, cautions=_disagrees(found))
        drive = _judged(room, found, fit=fit)
    except ValueError as error:  # also where another high-pass forbids what the sum asks for
        said = (f"subwoofer and mains are not joined: {error}",)
        return JointProposal(drive=fit_within_headroom(room, fit=fit), assumptions=said)
    record = joining_record(found, leave_out=not keep_bands)
    return JointProposal(
        drive=drive,
        record=record,
        level_change_db=found.settings.level_change_db,
        cautions=_cautions(record),
        assumptions=_assumptions(record),
        q_checks=() if found.no_change or keep_bands else _q_checks(room, found),
    )


def proposal_of_joined(room: Room, record: JoiningRecord, *, fit: Fit) -> JointProposal:
    """Keep bands and level beside a joining that was found from levels alone.

    Parameters
    ----------
    room : Room
    record : JoiningRecord
    fit : callable
        As for `proposal_with_mains`.
    """
    chosen = ChosenGains(gains_db=room.present.gains_db)
    return JointProposal(
        drive=fit_within_headroom(_with_bands_locked(room), fit=partial(fit, chosen=chosen)),
        record=record,
        cautions=_cautions(record),
        assumptions=("subwoofer and mains are joined by levels alone, as was decided",),
    )


def _judged(room: Room, found: Joining, *, fit: Fit) -> DriveProposal:
    """Judge the gains that the sum chose as for the subwoofer alone, behind its filters.

    Raises
    ------
    ValueError
        If they break a limit behind the high-pass that goes with them.
    """
    chosen = ChosenGains(gains_db=found.gains_db, level_change_db=found.settings.level_change_db)
    if found.keeps_bands:
        room = _with_bands_locked(room)
    return fit_within_headroom(with_bypass(room, found.bypassed), fit=partial(fit, chosen=chosen))


def _at_this_level(room: Room, *, fit: Fit) -> BandGainFit:
    """Fit the bands and leave the level: mains play along, and how their sum comes about is open.

    What keeps the loudness of the subwoofer alone would be a guess.
    """
    found = fit(room)
    if not found.level_change_db:
        return found
    return fit(room, chosen=ChosenGains(gains_db=found.gains_db))


def _with_bands_locked(room: Room) -> Room:
    """Return the room with every band that is set locked: what only is joined moves none."""
    bands = zip(room.equaliser.bands, room.present.gains_db, strict=True)
    held = (*room.limits.locked, *(band.nominal for band, gain in bands if gain))
    return replace(room, limits=replace(room.limits, locked=tuple(dict.fromkeys(held))))


def _q_checks(room: Room, found: Joining) -> tuple[QCheck, ...]:
    """Return the deviation of the sum, if every Q were a multiple of the assumed one.

    What was measured holds the present bands at their true Q: another Q changes the prediction.
    """
    equaliser, bands = room.equaliser, found.bands
    if equaliser.q_law.measured or bands is None or found.setting is None:
        return ()

    def ratio(one: FixedBandEqualiser) -> ComplexArray:
        points = found.data.points
        new = one.response(found.gains_db, points)
        return np.asarray(new / one.response(room.present.gains_db, points))

    checks, before_db = [], bands.present().deviation_db
    gains, level_db = found.setting.gains_db, found.setting.level_change_db
    for factor in Q_FACTORS:
        change = ratio(equaliser.scaled_q(factor)) / ratio(equaliser)
        after_db = bands.with_sub(change).deviation_db(gains, level_db)
        checks.append(QCheck(factor=factor, before_db=before_db, after_db=after_db))
    return tuple(checks)


def _disagrees(found: Joining) -> tuple[Caution, ...]:
    residual = found.measured.sum_residual_db
    worst = 0.0 if residual is None else float(np.nanmax(residual))
    return (Caution(code=CautionCode.SUM_DISAGREES, value=worst),)


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


def _assumptions(record: JoiningRecord) -> tuple[str, ...]:
    if not record.bypass:
        return ()
    return (
        "the bypass is reckoned into what was measured of the subwoofer alone, also in what is "
        "called now there",
    )


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
