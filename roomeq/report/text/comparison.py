"""Two surveys of a room as plain text: verdict, likely cause, then the figures.

Conventions
-----------
Numbers come from `roomeq.jobs.compare`; nothing is computed here but which words fit.
"""

from __future__ import annotations

from collections.abc import Callable

from roomeq.base.levels import signed, signed_setting
from roomeq.plan.verification import Cause, CauseCode, Comparison, SeatChange
from roomeq.report.text.layout import bullet_list, joined, paragraph, table
from roomeq.report.text.verification import cause_text, louder

_SUM = (
    "What was measured alone is as it was; both together are not: polarity, delay, or what was not "
    "measured again. Which of them cannot be told."
)
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
    lines = [f"{found.room}: two surveys{f', {dates}' if dates else ''}", "", *paragraph(verdict)]
    lines += ["", *_causes(found)]
    level = (
        f"Level: all seats changed by {signed(found.offset_db)} dB; that was removed from bands "
        "and verdicts."
    )
    if not found.level_agrees:
        level += " Level knob, drive level or microphone gain: which of them cannot be told."
    lines += [*paragraph(level), ""]
    rows = [
        [f"{row.label} Hz", signed(row.difference_db), "unchanged" if row.agrees else "changed"]
        for row in found.bands
    ]
    lines += [f"Bands, {_SOURCES[found.source]}, mean over the seats"]
    lines += [*table([">Band", ">Change dB", "Verdict"], rows), ""]
    titles = ["Seat", "Measured", ">Level dB", ">Tilt dB/oct", ">Rest dB (r.m.s.)", "Verdict"]
    lines += ["Seats", *table(titles, [_seat(row, found) for row in found.seats])]
    if found.bands_not_checked:
        lines += ["", *paragraph(f"Not compared: {joined(found.bands_not_checked)} Hz.")]
    for seats, said in ((found.missing, "Not measured again"), (found.new, "Not measured before")):
        if seats:
            lines += ["", *paragraph(f"{said}: {', '.join(seats)}.")]
    if found.stated:
        lines += ["", "Settings that are stated otherwise"]
        lines += bullet_list(
            [
                f"{'Level knob' if row.label == 'level' else f'{row.label} Hz'}: "
                f"{signed_setting(row.planned_db)} dB, then {signed_setting(row.stated_db)} dB"
                for row in found.stated
            ]
        )
    return "\n".join(lines) + "\n"


def _causes(found: Comparison) -> list[str]:
    """Return what may explain a change, the likeliest first."""
    if not found.causes:
        text = "Why cannot be told: nothing that was tried explains it, or too much does."
        return [*paragraph(text), ""]
    first, *others = found.causes
    listed = bullet_list([_cause(cause) for cause in others])
    if first.code is CauseCode.AS_PLANNED:
        lines = [] if found.unchanged or not found.level_agrees else [*paragraph(_SUM), ""]
        return [*lines, *(["Nor can this be ruled out:", *listed, ""] if others else [])]
    lines = paragraph(f"Likely cause: {_cause(first)}")
    return [*lines, *(["", "It cannot be told from:", *listed] if others else []), ""]


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


def _cause(cause: Cause) -> str:
    return _TEXTS.get(cause.code, cause_text)(cause)


def _turned(cause: Cause) -> str:
    looks = [
        f"the band at {label} Hz looks turned by {signed_setting(change)} dB"
        for label, change in zip(cause.bands, cause.gains_db, strict=True)
    ]
    beside = f", and the subwoofer is {louder(cause)}" if cause.value is not None else ""
    return f"{joined(looks)}{beside}."


def _filter(kind: str) -> Callable[[Cause], str]:
    return lambda c: f"a {kind} near {c.value:.0f} Hz was switched {'on' if c.engaged else 'off'}."


_TEXTS: dict[CauseCode, Callable[[Cause], str]] = {
    CauseCode.AS_PLANNED: lambda _: "nothing has changed, and all this is scatter.",
    CauseCode.OTHER_PLAN: lambda c: f"the settings that {c.name} states are in force.",
    CauseCode.BAND: _turned,
    CauseCode.TWO_BANDS: _turned,
    CauseCode.LEVEL: lambda c: f"the subwoofer is {louder(c)} against the mains.",
    CauseCode.MAINS_LEVEL: lambda c: f"the mains are {louder(c)} against the subwoofer.",
    CauseCode.HIGH_PASS: _filter("high-pass"),
    CauseCode.LOW_PASS: _filter("low-pass"),
}
