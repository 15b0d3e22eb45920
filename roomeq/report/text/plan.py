"""A plan as plain text that a person can act on.

Conventions
-----------
Numbers come from the plan; nothing is computed here but sums and differences for display.
"""

from __future__ import annotations

import math

from roomeq.plan.plan import Plan
from roomeq.report.text.headroom import extra_drive_lines, headroom_lines, protection_lines
from roomeq.report.text.joining import joining_lines
from roomeq.report.text.layout import (
    bullet_list,
    columns,
    number,
    paragraph,
    signed,
    signed_setting,
)
from roomeq.report.text.recordings import kept_recording_lines
from roomeq.report.text.terminal import gain_bar
from roomeq.report.text.wording import (
    SAFETY,
    caution_text,
    level_purpose,
    no_change_text,
    only_joined,
    reason_text,
)

__all__ = ["FIRST_STATEMENT", "evidence_sentences", "plan_text"]

FOUND_FIRST = "Found in the measurements, to be looked at before anything is set"
FIRST_STATEMENT = (
    "Made by an earlier statement of the problem (format 1), which fitted every seat by itself: "
    "its deviations do not compare with those of later plans. Propose again to compare."
)


def plan_text(plan: Plan, *, bars: bool = False) -> str:
    """Return the whole plan as text: settings first, then what they do, then cautions.

    Parameters
    ----------
    plan : Plan
    bars : bool
        Whether to draw a bar for every band; see `roomeq.report.text.terminal.bars_wanted`.

    Returns
    -------
    str
    """
    title = "band gains" if plan.joining is None else "settings"
    lines = [f"{plan.room}: {title} for the subwoofer", ""]
    if plan.statement == 1:
        lines += [*paragraph(FIRST_STATEMENT), ""]
    if plan.joining is not None:
        lines += [*joining_lines(plan.joining), ""]
    lines += [*_verdict(plan), ""]
    lines += [*_settings(plan, bars), ""]
    if plan.choices and plan.joining is None:
        lines += [*_choices(plan), ""]
    if plan.protection is not None:
        lines += [*protection_lines(plan.protection), ""]
    if plan.joining is None:
        lines += [*_seats(plan), ""]
    if plan.recordings:
        lines += [*kept_recording_lines(plan.recordings), ""]
    title = "How good it is" if plan.joining is None else "How good the subwoofer alone is"
    lines += [title, *bullet_list(evidence_sentences(plan)), ""]
    lines += _drive(plan)
    if plan.findings:
        lines += [FOUND_FIRST, *bullet_list(plan.findings), ""]
    if plan.cautions:
        lines += ["Cautions", *bullet_list([caution_text(c) for c in plan.cautions]), ""]
    if plan.assumptions:
        lines += ["Taken for granted", *bullet_list(plan.assumptions), ""]
    lines += ["Safety", *bullet_list(SAFETY)]
    return "\n".join(lines) + "\n"


def _verdict(plan: Plan) -> list[str]:
    if plan.no_change is not None:
        return paragraph(no_change_text(plan))
    what = "Weighted deviation" if plan.joining is None else "The subwoofer alone: deviation"
    return paragraph(
        f"{what} from the target over {len(plan.seats)} "
        f"seat{'s' if len(plan.seats) != 1 else ''}: {plan.deviation_before_db:.1f} dB now, "
        f"{plan.deviation_after_db:.1f} dB predicted."
    )


def _settings(plan: Plan, bars: bool) -> list[str]:
    device = plan.device
    lowest_db, highest_db, step_db = device.lowest_db, device.highest_db, device.step_db
    rows = []
    for band in plan.bands:
        bar = gain_bar(band.gain_db, lowest_db=lowest_db, highest_db=highest_db) if bars else ""
        rows.append(
            {
                ">Band": f"{band.label} Hz",
                ">Now dB": signed_setting(band.present_db, step_db=step_db),
                ">Set to dB": signed_setting(band.gain_db, step_db=step_db),
                "": "set" if band.gain_db != band.present_db else "",
                **({"Cut, boost": bar} if bars else {}),
                ">Error dB": signed(band.error_db),
                ">Left dB": signed(band.remaining_db),
                ">S.d. dB" if bars else ">Seats s.d. dB": number(band.spread_db),
                "Why": reason_text(band, plan),
            }
        )
    lines = ["Settings (absolute; error is with all bands at 0)", *columns(rows)]
    return [*lines, *_level(plan)]


def _level(plan: Plan) -> list[str]:
    level = plan.level
    text = f"  Level knob: {signed(level.change_db)} dB"
    if level.setting_db is not None:
        text += f", to {signed(level.setting_db)} dB"
    text += f" ({level_purpose(plan)}; exactly {signed(level.exact_change_db, digits=2)} dB)"
    lines = paragraph(text.strip(), indent=2)
    if level.upstream_db:
        lines += paragraph(f"and {signed(level.upstream_db)} dB upstream", indent=2)
    kept = []
    if plan.joining is None:
        kept = ["low-pass", "polarity", "phase control"]
    if plan.protection is None:
        kept.insert(1, "protective high-pass")
    if kept:
        lines += paragraph(f"Leave as they are: {', '.join(kept)}.", indent=2)
    return lines


_CHOICES = {"now": "As it is now", "best": "Best found", "proposal": "Proposal"}


def _choices(plan: Plan) -> list[str]:
    """Return the settings that the proposal was chosen from, one line each."""
    rows = [
        {
            "": _CHOICES[row.setting],
            ">Moves": f"{row.moved}",
            ">Weighted dB": number(row.deviation_db, digits=2),
            ">Average dB": number(row.average_sd_db),
            ">Seats dB": number(row.seat_sd_db),
            ">Peak dB": signed(row.largest_excess_db),
            "Worst seat": ""
            if row.setting == "now"
            else f"{signed(row.worst_seat_db)} {row.worst_seat}",
            ">Loudness dB": signed(row.loudness_db),
        }
        for row in plan.choices
    ]
    return ["What it was chosen from (deviations from the target)", *columns(rows)]


def _drive(plan: Plan) -> list[str]:
    """Return what gains and level ask of the drive, and what the wanted level leaves."""
    lines = []
    if plan.extra_drive and (plan.changes or plan.headroom is not None):
        lines += [*extra_drive_lines(plan.extra_drive), ""]
    if plan.headroom is not None:
        record = plan.headroom
        lines += headroom_lines(
            record.headroom(),
            equipment=record.equipment(),
            output=record.output,
            main_seat=record.main_seat,
            quieter_db=record.quieter_db,
        )
        if record.drive_limit == "headroom":
            lines += paragraph("The drive limit of the bands follows this headroom.", indent=2)
        lines.append("")
    return lines


def _seats(plan: Plan) -> list[str]:
    rows = [
        {
            "Seat": seat.seat,
            ">Weight": f"{100 * seat.weight:.0f} %",
            ">Now dB": number(seat.before_db),
            ">Predicted dB": number(seat.after_db),
            ">If chosen without it dB": number(seat.left_out_after_db),
        }
        for seat in plan.seats
    ]
    return ["Standard deviation from the target at each seat", *columns(rows)]


def evidence_sentences(plan: Plan) -> list[str]:
    """Return what backs the proposal, in sentences: proof, spread, boost and drive, other Q."""
    e = plan.evidence
    boosted = e.filter_boost_db > 0.1
    place = f"at {e.drive_boost_frequency:.0f} Hz" if boosted else "where nothing is cut"
    entries = [
        _proof_sentence(plan),
        f"Average over seats: standard deviation {e.average_sd_before_db:.1f} dB now, "
        f"{e.average_sd_after_db:.1f} dB predicted; largest excess at any seat "
        f"{signed(e.largest_excess_before_db)} and {signed(e.largest_excess_after_db)} dB.",
        f"Summed boost at most {signed(e.filter_boost_db)} dB (limit {e.filter_boost_limit_db:g} "
        f"dB, and half a dB below {e.no_boost_below:.0f} Hz, in dips, and where few seats are "
        f"short); drive, bands and level together, at most {signed(e.drive_boost_db)} dB {place} "
        f"(limit {round(e.drive_boost_limit_db, 1):g} dB), {e.power_ratio:.1f} times the power "
        "there.",
    ]
    if e.dip_boost_db > 1.0:
        entries.append(
            f"Dips that no boost may fill rise by up to {e.dip_boost_db:.1f} dB against the rest, "
            "because the rest is cut."
        )
    for check in e.q_checks:
        entries.append(
            f"If the bands' Q is {check.factor:g} times the assumed one: {check.before_db:.1f} dB "
            f"now, {check.after_db:.1f} dB predicted."
        )
    return entries


def _proof_sentence(plan: Plan) -> str:
    """Say how near to the best possible the plan is; a bound is rounded down, never up."""
    e = plan.evidence
    if plan.no_change is not None:
        last = f", what is set now {e.deviation_db:.2f} dB"
    elif all(band.gain_db == band.best_gain_db for band in plan.bands):
        last = ", and is proposed"
    elif only_joined(plan):
        last = f"; the bands, which stay, have {e.deviation_db:.2f} dB"
    elif plan.joining is not None:
        last = f"; what the sum with the mains asks for has {e.deviation_db:.2f} dB"
    else:
        last = f", the proposal {e.deviation_db:.2f} dB with fewer and smaller moves"
    return (
        "No setting of this device within the limits does better than "
        f"{math.floor(100 * e.lower_bound_db) / 100:.2f} dB "
        f"({'proven' if e.proven else 'proof not finished'}, {e.nodes} "
        f"node{'s' if e.nodes != 1 else ''}); the best found has {e.best_deviation_db:.2f} dB"
        f"{last}."
    )
