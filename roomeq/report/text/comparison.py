"""Two surveys of a room as plain text: verdict, likely cause, then the figures.

Conventions
-----------
Numbers come from `roomeq.jobs.compare`; nothing is computed here but which words fit.
"""

from __future__ import annotations

from roomeq.base.levels import signed
from roomeq.plan.verification import CauseCode, Comparison, SeatChange
from roomeq.report.text.layout import joined, listed, paragraph, table, text_of, worded
from roomeq.report.text.verification import cause_parts, stated_texts

_SOURCES = {
    "sub": "subwoofer",
    "mains": "mains",
    "both": "both together",
    "difference": "difference",
}


def comparison_text(found: Comparison) -> str:
    """Return what has changed, what may explain it, and the figures."""
    since = f"since {found.dates[0]}" if found.dates[0] else "since the first survey"
    scatter = f"a repeat scatters (about {found.scatter_db:.1f} dB here)"
    if found.unchanged:
        verdict = f"Nothing has changed {since}, as far as {scatter}."
    elif found.causes and found.causes[0].code is CauseCode.AS_PLANNED and not found.level_agrees:
        verdict = f"Only the level has changed {since}, as far as {scatter}."
    else:
        doubted = any(cause.code is CauseCode.AS_PLANNED for cause in found.causes[1:])
        verdict = f"Something has {'probably ' if doubted else ''}changed {since}."
    dates = " and ".join(filter(None, found.dates))
    level = _TEXTS["moved"].format(offset_db=signed(found.offset_db))
    if not found.level_agrees:
        level += f" {_TEXTS['moved_by']}"
    bands = [
        [f"{row.label} Hz", signed(row.difference_db), "unchanged" if row.agrees else "changed"]
        for row in found.bands
    ]
    titles = ["Seat", "Measured", ">Level dB", ">Tilt dB/oct", ">Rest dB (r.m.s.)", "Verdict"]
    missing = {
        "Not compared": found.bands_not_checked and f"{joined(found.bands_not_checked)} Hz",
        "Not measured again": ", ".join(found.missing),
        "Not measured before": ", ".join(found.new),
    }
    return text_of(
        [
            [f"{found.room}: two surveys{f', {dates}' if dates else ''}"],
            paragraph(verdict),
            *_causes(found),
            paragraph(level),
            [
                f"Bands, {_SOURCES[found.source]}, mean over the seats",
                *table([">Band", ">Change dB", "Verdict"], bands),
            ],
            ["Seats", *table(titles, [_seat(row, found) for row in found.seats])],
            *(paragraph(f"{said}: {what}.") for said, what in missing.items() if what),
            listed(
                "Settings that are stated otherwise",
                stated_texts(found, "{name}: {planned}, then {stated}"),
            ),
        ]
    )


def _causes(found: Comparison) -> list[list[str]]:
    """Return what may explain a change, the likeliest first."""
    if not found.causes:
        return [paragraph(_TEXTS["unknown"])]
    if found.causes[0].code is not CauseCode.AS_PLANNED:
        return cause_parts(found.causes, likely=True, texts=_TEXTS)
    others = cause_parts(found.causes[1:], likely=False, texts=_TEXTS)
    return (
        others if found.unchanged or not found.level_agrees else [paragraph(_TEXTS["sum"]), *others]
    )


def _seat(row: SeatChange, found: Comparison) -> list[str]:
    verdict = "unchanged" if row.agrees else "within the scatter"
    if found.unchanged:
        pass
    elif not row.agrees or not found.level_agrees:
        shape = row.rest_db > found.tolerance_db
        tilt = abs(row.tilt_db_per_octave) > found.tolerance_db
        words = {"shape": shape, "tilt": tilt and not shape}
        verdict = joined([word for word, holds in words.items() if holds]) or "level only"
    return [
        *(row.seat, _SOURCES[row.source], signed(row.level_db)),
        *(signed(row.tilt_db_per_octave), f"{row.rest_db:.1f}", verdict),
    ]


_TEXTS = worded("""
sum: What was measured alone is as it was; both together are not: polarity, delay, or what was not
    measured again. Which of them cannot be told.
unknown: Why cannot be told: nothing that was tried explains it, or too much does.
moved: Level: all seats changed by {offset_db} dB; that was removed from bands and verdicts.
moved_by: Level knob, drive level or microphone gain: which of them cannot be told.
as_planned: nothing has changed, and all this is scatter.
other_plan: the settings that {name} states are in force.
band: {looks}{besides}.
each: the band at {label} Hz looks turned by {gain} dB
besides: , and the subwoofer is {louder}
level: the subwoofer is {louder} against the mains.
mains_level: the mains are {louder} against the subwoofer.
filter_on: a {kind} near {value:.0f} Hz was switched on.
filter_off: a {kind} near {value:.0f} Hz was switched off.
""")
