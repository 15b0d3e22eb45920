"""Joining in a proposal: all settings of the subwoofer chosen together by the sum with the mains.

Conventions
-----------
Levels and gains in dB, frequencies in Hz. The order is: protective high-pass by what protects the
driver, low-passes to bypass, delay, polarity, phase, level, bands by the complex sum at the seats,
and again until high-pass and bypass stay. Nothing here computes acoustics; figures come from
`roomeq.optimiser`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol

import msgspec
import numpy as np

from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.joining_offer import JoiningOffer, bypasses_on_offer, joining_offer
from roomeq.optimiser.all_settings import fit_all_settings
from roomeq.optimiser.all_settings_fit import AllSettingsFit
from roomeq.optimiser.alternation import around_crossover, without_bypassed
from roomeq.optimiser.band_gain_fit import (
    BandGainFit,
    ChosenGains,
    NoChange,
    judge_improvement,
)
from roomeq.optimiser.joining import JoiningFit, Rival, fit_joining
from roomeq.optimiser.joining_data import JoiningNote
from roomeq.optimiser.joining_settings import JoiningSettings
from roomeq.path_figures import described_path
from roomeq.plan_joining import JoiningRecord, together_record
from roomeq.plan_records import Caution, CautionCode, QCheck
from roomeq.proposal_headroom import DriveProposal, fit_within_headroom
from roomeq.response import ComplexArray
from roomeq.room import Room

__all__ = ["Q_FACTORS", "JointProposal", "fit_with_mains", "joining_obstacle", "path_cautions"]

Q_FACTORS = (0.7, 1.4)
_MOST_ROUNDS = 3


class Fit(Protocol):
    """Fits the band gains of a room, or judges chosen ones."""

    def __call__(self, room: Room, *, chosen: ChosenGains | None = None) -> BandGainFit: ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointProposal:
    """All settings of the subwoofer, chosen by the sum with the mains where that can be.

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


def fit_with_mains(room: Room, drive: DriveProposal, *, fit: Fit) -> JointProposal:
    """Choose all settings together; the subwoofer's own where joining has no say.

    Parameters
    ----------
    room : Room
    drive : DriveProposal
        High-pass and bands as chosen for the subwoofer alone.
    fit : callable
        Fits the band gains of a room, or judges chosen ones.

    Raises
    ------
    ValueError
        If present settings cannot be, or nothing can be joined.
    """
    obstacle = joining_obstacle(room)
    if obstacle is not None or "mains" not in room.survey.sources or room.source != "sub":
        return JointProposal(drive=drive, assumptions=() if obstacle is None else (obstacle,))
    offer = joining_offer(room)
    alone = drive
    try:
        found, no_change, drive = _settled(room, alone, offer, fit=fit)
    except ValueError as error:  # also where another high-pass forbids what the sum asks for
        said = f"subwoofer and mains are not joined: {error}"
        return JointProposal(drive=alone, assumptions=(said,))
    if JoiningNote.SUM_DISAGREES in found.data.notes:
        return JointProposal(drive=alone, cautions=_disagrees(found))
    record = _record(room, found, offer, no_change)
    return JointProposal(
        drive=drive,
        record=record,
        level_change_db=0.0 if no_change else found.settings.joining.level_change_db,
        cautions=_cautions(record),
        assumptions=_assumptions(record),
        q_checks=() if no_change else _q_checks(room, found),
    )


def _settled(
    room: Room, alone: DriveProposal, offer: JoiningOffer, *, fit: Fit
) -> tuple[AllSettingsFit, NoChange | None, DriveProposal]:
    """Solve for everything, and again until the high-pass stays; `alone` is the start.

    Raises
    ------
    ValueError
        If nothing can be joined, or what was found breaks a limit behind its high-pass.
    """
    drive = alone
    reckoned: tuple[CrossoverFilter, ...] = ()
    for _ in range(_MOST_ROUNDS):
        high_pass = drive.high_pass
        behind = _sub_filtered(drive.room, reckoned)  # every low-pass in force, as measured
        found = _all_settings(room, behind, offer, high_pass)
        no_change = judge_improvement(
            found.deviation_before_db - found.deviation_db, repeatability_db=room.repeatability_db
        )
        if JoiningNote.SUM_DISAGREES in found.data.notes:
            break
        if no_change is not None:
            return found, no_change, _at_present(room, alone, fit=fit)
        chosen = ChosenGains(
            gains_db=found.settings.gains_db,
            level_change_db=found.settings.joining.level_change_db,
        )
        reckoned = found.settings.bypassed
        changed = _with_bypass(room, reckoned)
        drive = fit_within_headroom(changed, fit=partial(fit, chosen=chosen))
        if drive.high_pass == high_pass:
            break
    return found, no_change, drive


def _q_checks(room: Room, found: AllSettingsFit) -> tuple[QCheck, ...]:
    """Return the deviation of the sum, if every Q were a multiple of the assumed one.

    What was measured holds the present bands at their true Q: another Q changes the prediction.
    """
    equaliser, data = room.equaliser, found.final_data
    if equaliser.q_law.measured:
        return ()

    def ratio(one: FixedBandEqualiser) -> ComplexArray:
        new = one.response(found.settings.gains_db, data.points)
        return np.asarray(new / one.response(room.present.gains_db, data.points))

    checks = []
    for factor in Q_FACTORS:
        other = data.with_transfers(sub=ratio(equaliser.scaled_q(factor)) / ratio(equaliser))
        after_db = other.deviation_db(found.settings.joining, loss=room.loss)
        checks.append(QCheck(factor=factor, before_db=found.deviation_before_db, after_db=after_db))
    return tuple(checks)


def _all_settings(
    room: Room, behind: Room, offer: JoiningOffer, high_pass: CrossoverFilter | None
) -> AllSettingsFit:
    """Solve for everything behind a high-pass that is reckoned into the measurements."""
    assert room.corner is not None
    path = room.target.path
    return fit_all_settings(
        behind.survey,
        corner=room.corner,
        common_time_reference=True,
        equaliser=room.equaliser,
        target=replace(behind.target, path=path),
        limits=behind.limits,
        loss=room.loss,
        present=offer.present,
        present_gains_db=room.present.gains_db,
        protection=high_pass,
        bypassable=bypasses_on_offer(room),
        measured=None if behind.survey is room.survey else room.survey,
        **offer.choices,
    )


def _at_present(room: Room, alone: DriveProposal, *, fit: Fit) -> DriveProposal:
    """Return the present bands, judged; those for the subwoofer alone where these break a limit."""
    present = ChosenGains(gains_db=room.present.gains_db)
    try:
        kept = fit_within_headroom(room, fit=partial(fit, chosen=present))
    except ValueError:
        return alone
    found, limits = kept.fit, kept.room.limits
    most = float(limits.drive_db(np.array([found.drive_boost_frequency]))[0])
    within = found.filter_boost_db <= limits.filter_boost_db and found.drive_boost_db <= most
    return kept if within else alone


def _sub_filtered(
    room: Room, filters: tuple[CrossoverFilter, ...], *, inverse: bool = False
) -> Room:
    """Return the room with filters, or their inverse, reckoned into the subwoofer's responses."""
    if not filters:
        return room
    survey = room.survey.filtered("sub", partial(chain_response, filters), inverse=inverse)
    return replace(room, survey=survey)


def _with_bypass(room: Room, bypassed: tuple[CrossoverFilter, ...]) -> Room:
    """Return the room with low-passes switched off: measurements, path and target follow."""
    if not bypassed:
        return room
    path = without_bypassed(room.path, bypassed)
    return replace(
        _sub_filtered(room, bypassed, inverse=True),
        path=path,
        corner=min(one.corner for one in path if one.kind == "low_pass"),
        target=replace(room.target, path=without_bypassed(room.target.path, bypassed)),
    )


def _record(
    room: Room, found: AllSettingsFit, offer: JoiningOffer, no_change: NoChange | None
) -> JoiningRecord:
    """Return figures of the joining around the crossover, with the proposed bands and filters."""
    proposed, present = found.settings.joining, found.present.joining
    data, measured = around_crossover(found.final_data), around_crossover(found.present_data)
    fit = fit_joining(data, loss=room.loss, least_improvement_db=-math.inf, **offer.choices)
    before_db = measured.deviation_db(present, loss=fit.loss)
    candidate_db = data.deviation_db(proposed, loss=fit.loss)
    fit = replace(
        fit,
        settings=proposed if no_change is None else present,
        candidate=proposed,
        deviation_before_db=before_db,
        deviation_db=candidate_db if no_change is None else before_db,
        candidate_deviation_db=candidate_db,
        no_change=no_change,
        phase_gain_db=_phase_gain_db(fit, proposed, offer),
        rival=_rival(fit, proposed, candidate_db),
        at_ends=_at_ends(offer, proposed),
    )
    record = JoiningRecord.of(
        fit if no_change is None else replace(fit, data=measured),
        measured=measured,
        delay_stated=offer.delay_stated,
        bypass=found.settings.bypassed if no_change is None else (),
    )
    together = together_record(found, kept=no_change is not None)
    return msgspec.structs.replace(record, together=together)


def _phase_gain_db(fit: JoiningFit, proposed: JoiningSettings, offer: JoiningOffer) -> float:
    """Return what moving the phase control gains at the proposed polarity."""
    if fit.candidate.inverted == proposed.inverted:
        return fit.phase_gain_db
    turned = fit.data.with_transfers(sub=-1.0 if proposed.inverted else 1.0)
    choices = {**offer.choices, "can_invert": False, "loss": fit.loss}
    return fit_joining(turned, least_improvement_db=-math.inf, **choices).phase_gain_db


def _rival(fit: JoiningFit, proposed: JoiningSettings, deviation_db: float) -> Rival | None:
    """Return the best different answer from what is proposed; None where it is none."""
    rival = fit.rival
    if rival is None:
        return None
    alike = rival.settings.inverted == proposed.inverted
    if alike and abs(rival.settings.delay - proposed.delay) < 0.25 / fit.data.corner:
        return None
    return replace(rival, margin_db=rival.deviation_db - deviation_db)


def _at_ends(offer: JoiningOffer, settings: JoiningSettings) -> tuple[str, ...]:
    """Return which of delay and level lie at an end of what may be set."""
    choices = {
        "delay": (settings.delay, offer.delays.values),
        "level": (settings.level_change_db, offer.levels.values_db),
    }
    return tuple(
        name
        for name, (value, offered) in choices.items()
        if offered.size > 1 and np.isclose(value, offered[[0, -1]], rtol=0.0, atol=1e-9).any()
    )


def _disagrees(found: AllSettingsFit) -> tuple[Caution, ...]:
    residual = found.data.sum_residual_db
    worst = 0.0 if residual is None else float(np.nanmax(residual))
    return (Caution(code=CautionCode.SUM_DISAGREES, value=worst),)


def _cautions(record: JoiningRecord) -> tuple[Caution, ...]:
    """Return what to be careful of when joining."""
    found = []
    if record.ambiguous and record.rival is not None:
        found.append(Caution(code=CautionCode.JOINING_AMBIGUOUS, value=record.rival.margin_db))
    found += [Caution(code=CautionCode.JOINING_AT_END, name=name) for name in record.at_ends]
    if record.settings.inverted != record.present.inverted:
        found.append(Caution(code=CautionCode.CHECK_WIRING, value=abs(record.flip_gain_db)))
    return tuple(found)


def _assumptions(record: JoiningRecord) -> tuple[str, ...]:
    if not record.bypass:
        return ()
    return (
        "the bypass is reckoned into what was measured of the subwoofer alone, also in what is "
        "called now there",
    )


def path_cautions(room: Room, record: JoiningRecord | None = None) -> tuple[Caution, ...]:
    """Return that a low-pass is engaged twice, with what to bypass and what the sum gains.

    Where nothing is joined, or no bypass is part of it, the settings hold with it engaged.
    """
    analysis = described_path(room)
    if analysis is None or analysis.recommended is None:
        return ()
    advised = analysis.recommended
    names = " and ".join(f"the {one}" for one in advised.filters)
    twice = CautionCode.LOW_PASS_TWICE
    if record is None or not record.bypass:
        twice = CautionCode.LOW_PASS_TWICE_LEFT
    return (Caution(code=twice, value=advised.gain_db, name=names),)
