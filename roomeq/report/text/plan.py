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
from roomeq.plan.plan import Plan
from roomeq.plan.records import is_stated
from roomeq.report.text.headroom import drive_parts, protection_lines
from roomeq.report.text.joining import joining_backing, joining_doubts, joining_verdict
from roomeq.report.text.layout import Part, bullets, counted, joined, listed, text_of, worded
from roomeq.report.text.recordings import alarm_texts, recording_table
from roomeq.report.text.safety import SAFETY_LINE
from roomeq.report.text.several import (
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
_say = worded("""
title: {room}: {both:||band gains for the }{count:|{count} subwoofers|subwoofer}{both:| with the
    mains|}
weighted: Weighted deviation from the target over {seats}: {deviation_before_db:.1f} dB now,
    {deviation_after_db:.1f} dB predicted; no setting within the limits is better than {least}.
alone: The subwoofer alone: deviation {deviation_before_db:.1f} dB now, {deviation_after_db:.1f} dB
    predicted
settings: Settings in dB ({what}; error: all bands at 0; left: with these){stated:||; what is set
    now is not stated, taken for 0 dB}{detail:|; s.d.: how much the seats differ|}
bands: >Band = {label} Hz | >Now = {now} | >Set to = {then} | > = {set} | Gain = {bar} | >Error =
    {error_db:+.1f} | >Left = {remaining_db:+.1f} | >S.d. = {spread_db:.1f} | Why = {why}
chosen: What it was chosen from (deviations from the target in dB)
choices: Setting = {name} | >Moves = {moved} | >Weighted = {deviation_db:.2f} | >Average =
    {average_sd_db:.1f} | >Seats = {seat_sd_db:.1f} | >Peak = {largest_excess_db:+.1f} | >Loudness =
    {loudness_db:+.1f} | Worst seat = {worst}
at_seats: Standard deviation at each seat{left_out:| (without it: with settings chosen by the
    others)|}
seats: Seat = {seat} | >Weight = {share:.0f} % | >Now dB = {before_db:.1f} | >Predicted dB =
    {after_db:.1f} | >Without it dB = {left_out_after_db:.1f}
knob: {knob} ({purpose}{exact:|; predicted at {exact_change_db:+.2f} dB|})
level_knob: Level knob: {setting:|{change:|{change} dB, to|stays at} {setting} dB|{change:|{change}
    dB from now|as it is} (not stated)}
upstream: and {upstream_shown_db:+.1f} dB upstream
average: Standard deviation of the average: {average_sd_before_db:.1f} dB now,
    {average_sd_after_db:.1f} dB predicted; largest excess at a seat:
    {largest_excess_before_db:+.1f} and {largest_excess_after_db:+.1f} dB.
boost: Boost: bands {bands_db:+.1f} dB (limit {filter_boost_limit_db:g}{detail:|; half a dB below
    {no_boost_below:.0f} Hz, in dips, where few seats are short|}), bands and level
    {drive_boost_db:+.1f} dB{boosts:| at {drive_boost_frequency:.0f} Hz|} (limit {limit_db:g}).
dips: Dips rise by up to {dip_boost_db:.1f} dB, because the rest is cut.
other_q: With {factors} times the assumed Q: {figures} dB predicted.
proof: No setting within the limits is better than {least}; the best found has
    {best_deviation_db:.2f} dB{last}.
kept: , what is set now {deviation_db:.2f} dB
best: , and is proposed
other: , the proposal {deviation_db:.2f} dB (see why at each band)
""")


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
    several = plan.together is not None
    title = _say("title", plan, both=plan.joining is not None, count=len(plan.subwoofers))
    found = [*plan.findings, *alarm_texts(plan.recordings)]
    backing: Part = []
    if plan.joining is not None:
        about_q = q_sentences(plan, detail=detail)
        backing = joining_backing(plan.joining, plan.present, *about_q)
    first, *more = _verdicts(plan)
    return text_of(
        [title, *first],
        *more,
        several_settings(plan) if several else _settings(plan, bars=bars, detail=detail),
        listed("Found in the measurements: look at it before anything is set", found),
        listed("Cautions", _cautions(plan, detail=detail)),
        bullets(together_sentences(plan)),
        backing,
        *([] if several else _evidence(plan, detail=detail)),
        *drive_parts(plan, detail=detail),
        [*to_set(plan), SAFETY_LINE],
    )


def _verdicts(plan: Plan) -> list[list[str]]:
    old = [OLD_STATEMENT] if plan.statement == 1 else []
    why = [] if plan.no_change is None else [no_change_text(plan)]
    together = [] if plan.together is None else [together_verdict(plan.together)]
    if plan.joining is not None:
        verdict = " ".join([joining_verdict(plan.joining), *why])
        texts = [*old, *together, verdict, *joining_doubts(plan.joining)]
        return [*([one] for one in texts[:-1]), [texts[-1], *bullets(mains_entries(plan))]]
    seats = counted(len(plan.seats), "seat")
    told = why + together or [_say("weighted", plan, seats=seats, least=_least(plan))]
    return [[one] for one in (*old, *told)]


def _settings(plan: Plan, *, bars: bool, detail: bool) -> Part:
    device, stated = plan.device, is_stated(plan.present, "gains_stated")
    limits = {"lowest_db": device.lowest_db, "highest_db": device.highest_db}
    told = [
        {
            "now": signed_setting(band.present_db, step_db=device.step_db) if stated else "",
            "then": signed_setting(band.gain_db, step_db=device.step_db),
            "set": "set" if band.gain_db != band.present_db else "",
            "bar": gain_bar(band.gain_db, **limits) if bars else "",
            "error_db": plan.error_db(band),
            "spread_db": band.spread_db if detail else None,
            "why": reason_text(band, plan),
        }
        for band in plan.bands
    ]
    what = "at the proposed level" if plan.joining is None else "subwoofer alone"
    title = _say("settings", what=what, stated=stated, detail=detail)
    return [title, *_say.table("bands", plan.bands, told), *_level(plan, detail=detail)]


def _level(plan: Plan, *, detail: bool) -> Part:
    level, joining = plan.level, plan.joining
    told = {"knob": _knob(plan), "purpose": level_purpose(plan)}
    exact = detail and abs(level.residual_db) >= 0.005  # else it is the same figure in print
    texts = [_say("knob", level, exact=exact, **told)]
    if level.upstream_shown_db:
        texts.append(_say("upstream", level))
    kept = {
        "low-pass": joining is None or not joining.bypass,
        "protective high-pass": plan.protection is None,
        "delay, polarity, phase control": joining is None,
    }
    if any(kept.values()):
        named = ", ".join(name for name, stays in kept.items() if stays)
        texts.append(f"Leave as is: {named}.")
    lines = [f"  {text}" for text in texts]
    if plan.protection is None:
        return lines
    quieter_db = 0.0 if plan.headroom is None else plan.headroom.quieter_db
    return [*lines, *protection_lines(plan.protection, quieter_db=quieter_db, detail=detail)]


def _knob(plan: Plan) -> str:
    change_db, setting_db = plan.level.change_db, plan.level.setting_db
    change = signed_setting(change_db) if change_db else ""
    setting = "" if setting_db is None else signed_setting(setting_db)
    return _say("level_knob", change=change, setting=setting)


def to_set(plan: Plan) -> list[str]:
    """Return what is to be set, as the last lines: what lies further up has left the screen."""
    joins = [] if plan.joining is None else plan.joining.setting_rows(plan.present)
    entries = {}
    for name, one in {**plan.subwoofers, "all": plan}.items():
        rows = [row for row in one.moved_rows() if one is not plan or row not in joins]
        moved = [f"{label} {then.removeprefix('high-pass ')}" for label, _, then in rows]
        if one.set_together is not None and (feeder := one.set_together.fed_by) is not None:
            moved = [text for text in moved if text.startswith("Polarity")]
            moved.append(f"{'else ' * bool(moved)}by {feeder}, which feeds it")
        if moved or one is not plan:
            entries[name] = ", ".join(moved) or "as it is"
    mains = mains_entries(plan, changes=True)
    title = "To set, in dB (what is not named stays):"
    if not plan.subwoofers:
        return [f"{title} {'; '.join([*entries.values(), *mains]) or 'nothing'}."]
    each = [f"{name}: {text}" for name, text in entries.items()]
    return listed(title, [f"{entry}." for entry in (*each, *mains)])


def _cautions(plan: Plan, *, detail: bool) -> list[str]:
    """Return the cautions, then what was taken for granted, less what is said elsewhere."""
    codes = [one.code for one in plan.cautions]
    said = [CautionCode.LOW_PASS_TWICE]  # among the settings, as the assumed Q beside another one
    of_q = [_Q_ASSUMED] if q_sentences(plan, detail=detail) else []
    shown = [one for one in plan.cautions if one.code not in said and one not in of_q]
    known = [LIMIT_UNKNOWN] if CautionCode.LOWER_LIMIT_UNKNOWN in codes else []
    granted = "; ".join(text for text in plan.assumptions if text not in known)
    last = [f"Taken for granted: {granted}."] if granted else []
    return [*map(caution_text, shown), *own_cautions(plan), *last]


_CHOICES = {"now": "As it is now", "best": "Best found", "proposal": "Proposal"}


def _choices(plan: Plan) -> Part:
    """Return the settings that the proposal was chosen from, one line each."""
    if not plan.choices or plan.joining is not None:
        return []
    told = [
        {
            "name": _CHOICES[one.setting],
            "worst": f"{signed(one.worst_seat_db)} {one.worst_seat}" * (one.setting != "now"),
        }
        for one in plan.choices
    ]
    return [_say("chosen"), *_say.table("choices", plan.choices, told)]


def _seats(plan: Plan) -> Part:
    shares = [{"share": 100 * seat.weight} for seat in plan.seats]
    left_out = any(seat.left_out_after_db is not None for seat in plan.seats)
    return [_say("at_seats", left_out=left_out), *_say.table("seats", plan.seats, shares)]


def _evidence(plan: Plan, *, detail: bool) -> list[Part]:
    more = [recording_table(plan.recordings), _choices(plan)] if detail else []
    lines = _seats(plan) if plan.joining is None else [_say("alone", plan)]
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
    return _say("average", plan.evidence)


def boost_sentences(plan: Plan, *, detail: bool = False) -> list[str]:
    """Return what the bands boost, what the drive rises, and how far dips do."""
    e = plan.evidence
    told = {"bands_db": max(e.filter_boost_db, 0.0), "limit_db": round(e.drive_boost_limit_db, 1)}
    boost = _say("boost", e, detail=detail, boosts=e.filter_boost_db > 0.1, **told)
    return [boost, _say("dips", e)] if e.dip_boost_db > 1.0 else [boost]


def q_sentences(plan: Plan, *, detail: bool = True) -> list[str]:
    """Return what another Q would do, of the sum where that is judged; unchanged with `detail`."""
    after_db = plan.deviation_after_db if plan.joining is None else plan.joining.judged[1]
    checks = {f"{check.factor:g}": f"{check.after_db:.1f}" for check in plan.evidence.q_checks}
    shown = {q: figure for q, figure in checks.items() if detail or figure != f"{after_db:.1f}"}
    told = {"factors": joined(list(shown)), "figures": joined(list(shown.values()))}
    return [_say("other_q", **told)] if shown else []


def proof_sentence(plan: Plan, *, detail: bool = False) -> str:
    """Say how near to the best possible the plan is; a bound is rounded down, never up."""
    e = plan.evidence
    best = all(band.gain_db == band.best_gain_db for band in plan.bands)
    last = _say("kept" if plan.no_change else "best" if best else "other", e)
    how = f" by {counted(e.nodes, 'node')}, sets of settings judged at once" if detail else ""
    return _say("proof", e, least=_least(plan, how), last=last)


def _least(plan: Plan, how: str = "") -> str:
    e = plan.evidence
    proof = "proven" if e.proven else "proof not finished"
    return f"{math.floor(100 * e.lower_bound_db) / 100:.2f} dB ({proof}{how})"
