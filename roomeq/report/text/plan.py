"""A plan as plain text that a person can act on.

Conventions
-----------
Settings first, then cautions, then what backs them, and the settings again at the end. Numbers come
from the plan; nothing is computed here but sums and differences for display.
"""

from __future__ import annotations

import math

from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.levels import signed, signed_setting
from roomeq.importers.room_assembly import LIMIT_UNKNOWN
from roomeq.optimiser.bands.reasons import Reason
from roomeq.plan.plan import Plan
from roomeq.plan.records import AS_IT_IS, NOT_STATED, is_stated
from roomeq.report.text.headroom import (
    extra_drive_lines,
    headroom_lines,
    high_pass_text,
    protection_lines,
)
from roomeq.report.text.joining import (
    joining_doubts,
    joining_sentences,
    joining_verdict,
    reference_lines,
    seat_loss_lines,
    set_text,
)
from roomeq.report.text.layout import bullets, columns, joined, listed, number, paragraph, text_of
from roomeq.report.text.recordings import alarm_texts, recording_table
from roomeq.report.text.safety import SAFETY_LINE
from roomeq.report.text.several import (
    each_to_set,
    mains_entries,
    own_cautions,
    several_settings,
    together_sentences,
    together_verdict,
)
from roomeq.report.text.terminal import gain_bar
from roomeq.report.text.wording import caution_text, level_purpose, no_change_text, reason_text

OLD_STATEMENT = (
    "Made by an earlier statement of the problem (format 1), which fitted every seat by itself: "
    "its deviations do not compare with those of later plans. Propose again to compare."
)


_Q_ASSUMED = Caution(code=CautionCode.Q_ASSUMED)


def plan_text(plan: Plan, *, bars: bool = False, detail: bool = False) -> str:
    """Return the whole plan as text: settings, cautions, what backs them, settings once more.

    Parameters
    ----------
    plan : Plan
    bars : bool
        Whether to draw a bar for every band; see `roomeq.report.text.terminal.bars_wanted`.
    detail : bool
        Whether to tell as well what was chosen from, the drive by bands, and every check.

    Returns
    -------
    str
    """
    several, joined_too = plan.together is not None, plan.joining is not None
    what = f"{len(plan.subwoofers)} subwoofers" if several else "subwoofer"
    what = f"{what} with the mains" if joined_too else f"band gains for the {what}"
    found = [*plan.findings, *alarm_texts(plan.recordings)]
    old = [paragraph(OLD_STATEMENT)] if plan.statement == 1 else []
    verdict, *more = [*old, *_verdict(plan)]
    return text_of(
        [
            [*paragraph(f"{plan.room}: {what}"), *verdict],
            *more,
            several_settings(plan) if several else _settings(plan, bars=bars, detail=detail),
            listed("Found in the measurements: look at it before anything is set", found),
            listed("Cautions", _cautions(plan, detail=detail)),
            bullets(together_sentences(plan)) if several else [],
            _sum(plan, detail=detail) if joined_too else [],
            *([] if several else _evidence(plan, detail=detail)),
            *_drives(plan, detail=detail),
            [*(each_to_set(plan) if several else _once_more(plan)), *paragraph(SAFETY_LINE)],
        ]
    )


def _verdict(plan: Plan) -> list[list[str]]:
    why = [] if plan.no_change is None else [no_change_text(plan)]
    parts = [] if plan.together is None else [together_verdict(plan.together)]
    if plan.joining is None:
        now_db, then_db = plan.deviation_before_db, plan.deviation_after_db
        weighted = (
            f"Weighted deviation from the target over {_counted(len(plan.seats), 'seat')}: "
            f"{now_db:.1f} dB now, {then_db:.1f} dB predicted; no setting within the limits is "
            f"better than {_least(plan)}."
        )
        return [*map(paragraph, [*why, *parts] or [weighted])]
    said = " ".join([joining_verdict(plan.joining), *why])
    *first, last = map(paragraph, [*parts, said, *joining_doubts(plan.joining)])
    return [*first, [*last, *bullets(mains_entries(plan))]]


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'s' if count != 1 else ''}"


def _settings(plan: Plan, *, bars: bool, detail: bool) -> list[str]:
    device, without = plan.device, [] if detail else [">S.d."]
    stated = is_stated(plan.present, "gains_stated")
    limits = {"lowest_db": device.lowest_db, "highest_db": device.highest_db}
    rows = [
        {
            ">Band": f"{band.label} Hz",
            ">Now": signed_setting(band.present_db, step_db=device.step_db),
            ">Set to": signed_setting(band.gain_db, step_db=device.step_db),
            "": "set" if band.gain_db != band.present_db else "",
            "Gain": gain_bar(band.gain_db, **limits) if bars else "",
            ">Error": signed(plan.error_db(band)),
            ">Left": signed(band.remaining_db),
            ">S.d.": number(band.spread_db),
            "Why": reason_text(band, plan),
        }
        for band in plan.bands
    ]
    without += [*(["Gain"] * (not bars)), *([">Now"] * (not stated))]
    what = "at the proposed level" if plan.joining is None else "subwoofer alone"
    title = f"Settings in dB ({what}; error: all bands at 0; left: with these)"
    title += "" if stated else f"; what is set now is {NOT_STATED}, taken for 0 dB"
    title += "; s.d.: how much the seats differ" if detail else ""
    return [*paragraph(title), *columns(rows, without=without), *_level(plan, detail=detail)]


def _level(plan: Plan, *, detail: bool) -> list[str]:
    level, joining = plan.level, plan.joining
    exact = ""
    if detail and abs(level.residual_db) >= 0.005:  # else it is the same figure in print
        exact = f"; predicted at {signed(level.exact_change_db, digits=2)} dB"
    lines = paragraph(f"{_knob(plan)} ({level_purpose(plan)}{exact})", indent=2)
    if level.upstream_shown_db:
        lines += paragraph(f"and {signed(level.upstream_shown_db)} dB upstream", indent=2)
    kept = {
        "low-pass": joining is None or not joining.bypass,
        "protective high-pass": plan.protection is None,
        "delay, polarity, phase control": joining is None,
    }
    if any(kept.values()):
        named = ", ".join(name for name, stays in kept.items() if stays)
        lines += paragraph(f"Leave as is: {named}.", indent=2)
    if plan.protection is not None:
        quieter_db = 0.0 if plan.headroom is None else plan.headroom.quieter_db
        lines += protection_lines(plan.protection, quieter_db=quieter_db, detail=detail)
    return lines


def _knob(plan: Plan) -> str:
    change_db, setting_db = plan.level.change_db, plan.level.setting_db
    change, setting = (signed_setting(value or 0.0) for value in (change_db, setting_db))
    if setting_db is None:
        told = f"{change} dB from now" if change_db else AS_IT_IS
        return f"Level knob: {told} ({NOT_STATED})"
    return f"Level knob: {f'{change} dB, to' if change_db else 'stays at'} {setting} dB"


def _once_more(plan: Plan) -> list[str]:
    """Return what is to be set as the last lines: what lies further up has left the screen."""
    rows = {name: then for name, _, then in plan.moved_rows()}
    moved = ", ".join(f"{name} {then}" for name, then in rows.items() if name.endswith(" Hz"))
    entries = [f"bands {moved} dB, the others as they are" if moved else "bands as they are"]
    if "Level knob" in rows:
        entries.append(_knob(plan).replace("Level knob:", "level knob"))
    if "Level upstream" in rows:
        entries.append(f"level upstream {signed(plan.level.upstream_shown_db)} dB")
    if plan.protection is not None and plan.protection.changes:
        entries.append(f"protective high-pass {high_pass_text(plan.protection.high_pass)}")
    if plan.joining is not None:
        return paragraph(set_text(plan.joining, plan.present, *entries))
    return paragraph(f"To set: {'; '.join(entries)}.")


def _cautions(plan: Plan, *, detail: bool) -> list[str]:
    """Return the cautions, then what was taken for granted, less what is said elsewhere."""
    said = CautionCode.LOW_PASS_TWICE  # among the settings, as the assumed Q beside another one
    texts = [
        caution_text(one)
        for one in plan.cautions
        if one.code is not said and not (one == _Q_ASSUMED and q_sentences(plan, detail=detail))
    ]
    codes = [one.code for one in plan.cautions]
    granted = [
        text
        for text in plan.assumptions
        if text != LIMIT_UNKNOWN or CautionCode.LOWER_LIMIT_UNKNOWN not in codes
    ]
    last = [f"Taken for granted: {'; '.join(granted)}."] if granted else []
    return [*texts, *own_cautions(plan), *last]


def _sum(plan: Plan, *, detail: bool) -> list[str]:
    """Return what backs the joining, less what the cautions say."""
    assert plan.joining is not None
    sentences = joining_sentences(plan.joining, brief=True)
    return [
        *seat_loss_lines(plan.joining),
        *bullets([*sentences, *q_sentences(plan, detail=detail)]),
        *reference_lines(plan.present),
    ]


_CHOICES = {"now": "As it is now", "best": "Best found", "proposal": "Proposal"}


def _choices(plan: Plan) -> list[str]:
    """Return the settings that the proposal was chosen from, one line each."""
    if not plan.choices or plan.joining is not None:
        return []
    rows = [
        {
            "": _CHOICES[row.setting],
            ">Moves": f"{row.moved}",
            ">Weighted": number(row.deviation_db, digits=2),
            ">Average": number(row.average_sd_db),
            ">Seats": number(row.seat_sd_db),
            ">Peak": signed(row.largest_excess_db),
            ">Loudness": signed(row.loudness_db),
            "Worst seat": f"{signed(row.worst_seat_db)} {row.worst_seat}" * (row.setting != "now"),
        }
        for row in plan.choices
    ]
    return ["What it was chosen from (deviations from the target in dB)", *columns(rows)]


def _drives(plan: Plan, *, detail: bool) -> list[list[str]]:
    """Return what `_drive` does, of several subwoofers for each, its name in front."""
    if not plan.subwoofers:
        return _drive(plan, detail=detail)
    drives = {name: _drive(one, detail=detail) for name, one in plan.subwoofers.items()}
    return [part for name, found in drives.items() if found for part in ([f"{name}:"], *found)]


def _drive(plan: Plan, *, detail: bool) -> list[list[str]]:
    """Return what gains and level ask of the drive, and what the wanted level leaves."""
    parts = []
    if detail and plan.extra_drive and (plan.changes or plan.headroom is not None):
        parts.append(extra_drive_lines(plan.extra_drive))
    if plan.headroom is not None:
        record = plan.headroom
        lines = headroom_lines(
            record.headroom(),
            equipment=record.equipment() if detail else None,
            output=record.output,
            main_seat=record.main_seat,
            quieter_db=record.quieter_db,
            detail=detail,
        )
        if record.drive_limit == "headroom":
            lines += paragraph("The drive limit of the bands follows this headroom.", indent=2)
        parts.append(lines)
    return parts


def _seats(plan: Plan) -> list[str]:
    rows = [
        {
            "Seat": seat.seat,
            ">Weight": f"{100 * seat.weight:.0f} %",
            ">Now dB": number(seat.before_db),
            ">Predicted dB": number(seat.after_db),
            ">Without it dB": number(seat.left_out_after_db),
        }
        for seat in plan.seats
    ]
    title, without = "Standard deviation at each seat", [">Without it dB"]
    if any(seat.left_out_after_db is not None for seat in plan.seats):
        title, without = f"{title} (without it: with settings chosen by the others)", []
    return [*paragraph(title), *columns(rows, without=without)]


def _evidence(plan: Plan, *, detail: bool) -> list[list[str]]:
    more = [recording_table(plan.recordings), _choices(plan)] if detail else []
    now_db, then_db = plan.deviation_before_db, plan.deviation_after_db
    title = f"The subwoofer alone: deviation {now_db:.1f} dB now, {then_db:.1f} dB predicted"
    lines = paragraph(title) if plan.joining is not None else _seats(plan)
    return [[*lines, *bullets(evidence_sentences(plan, detail=detail))], *more]


def evidence_sentences(plan: Plan, *, detail: bool = False) -> list[str]:
    """Return what backs the proposal, in sentences: proof, boost and drive, other Q.

    Parameters
    ----------
    plan : Plan
    detail : bool
        Whether to tell as well how good it is, and that another Q changes nothing. Of the sum with
        mains another Q is told elsewhere.
    """
    return [
        *([proof_sentence(plan, detail=True), average_sentence(plan)] if detail else []),
        *boost_sentences(plan, detail=detail),
        *(q_sentences(plan, detail=detail) if plan.joining is None else []),
    ]


def average_sentence(plan: Plan) -> str:
    """Return how even the average over the seats is, and what stands out at one."""
    e = plan.evidence
    return (
        f"Standard deviation of the average: {e.average_sd_before_db:.1f} dB now, "
        f"{e.average_sd_after_db:.1f} dB predicted; largest excess at a seat: "
        f"{signed(e.largest_excess_before_db)} and {signed(e.largest_excess_after_db)} dB."
    )


def boost_sentences(plan: Plan, *, detail: bool = False) -> list[str]:
    """Return what the bands boost, what the drive rises, and how far dips do."""
    e = plan.evidence
    where = f"; half a dB below {e.no_boost_below:.0f} Hz, in dips, where few seats are short"
    where *= detail
    place = f" at {e.drive_boost_frequency:.0f} Hz" if e.filter_boost_db > 0.1 else ""
    entries = [
        f"Boost: bands {signed(max(e.filter_boost_db, 0.0))} dB (limit "
        f"{e.filter_boost_limit_db:g}{where}), bands and level {signed(e.drive_boost_db)} dB"
        f"{place} (limit {round(e.drive_boost_limit_db, 1):g})."
    ]
    if e.dip_boost_db > 1.0:
        entries.append(f"Dips rise by up to {e.dip_boost_db:.1f} dB, because the rest is cut.")
    return entries


def q_sentences(plan: Plan, *, detail: bool = True) -> list[str]:
    """Return what another Q would do, of the sum where that is judged; unchanged with `detail`."""
    after_db = plan.deviation_after_db if plan.joining is None else plan.joining.judged[1]
    checks = [
        check
        for check in plan.evidence.q_checks
        if detail or f"{check.after_db:.1f}" != f"{after_db:.1f}"
    ]
    factors = joined([f"{check.factor:g}" for check in checks])
    figures = joined([f"{check.after_db:.1f}" for check in checks])
    return [f"With {factors} times the assumed Q: {figures} dB predicted."] if checks else []


def proof_sentence(plan: Plan, *, detail: bool = False) -> str:
    """Say how near to the best possible the plan is; a bound is rounded down, never up."""
    e = plan.evidence
    if plan.no_change is not None:
        last = f", what is set now {e.deviation_db:.2f} dB"
    elif all(band.gain_db == band.best_gain_db for band in plan.bands):
        last = ", and is proposed"
    elif plan.only_joined:
        last = f"; the bands, which stay, have {e.deviation_db:.2f} dB"
    elif any(band.reason is Reason.MANY_ROOMS for band in plan.bands):
        last = f"; what suits all rooms has {e.deviation_db:.2f} dB"
    elif plan.joining is not None:
        last = f"; what the sum with the mains asks for has {e.deviation_db:.2f} dB"
    else:
        last = f", the proposal, with fewer moves, {e.deviation_db:.2f} dB"
    how = f" by {_counted(e.nodes, 'node')}, sets of settings judged at once" if detail else ""
    return (
        f"No setting within the limits is better than {_least(plan, how)}; the best found has "
        f"{e.best_deviation_db:.2f} dB{last}."
    )


def _least(plan: Plan, how: str = "") -> str:
    e = plan.evidence
    proof = "proven" if e.proven else "proof not finished"
    return f"{math.floor(100 * e.lower_bound_db) / 100:.2f} dB ({proof}{how})"
