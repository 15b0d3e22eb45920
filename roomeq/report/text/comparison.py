"""Two surveys of a room as plain text: verdict, likely cause, then the figures.

Conventions
-----------
Numbers come from `roomeq.jobs.compare`; nothing is computed here but which words fit.
"""

from __future__ import annotations

from roomeq.plan.verification import CauseCode, Comparison, SeatChange
from roomeq.report.text.layout import Part, joined, listed, text_of, worded
from roomeq.report.text.verification import cause_parts, stated_texts
from roomeq.report.text.wording import SOURCES


def comparison_text(found: Comparison) -> str:
    """Return what has changed, what may explain it, and the figures."""
    codes = [cause.code for cause in found.causes]
    only_level = codes[:1] == [CauseCode.AS_PLANNED] and not found.level_agrees
    what = "Something has probably" if CauseCode.AS_PLANNED in codes[1:] else "Something has"
    if found.unchanged or only_level:
        what = "Nothing has" if found.unchanged else "Only the level has"
    verdict = {"what": what, "scatters": found.unchanged or only_level}
    seats = [_of_seat(row, found) for row in found.seats]
    dates = " and ".join(filter(None, found.dates))
    missing = {
        "Not compared": found.bands_not_checked and f"{joined(found.bands_not_checked)} Hz",
        "Not measured again": ", ".join(found.missing),
        "Not measured before": ", ".join(found.new),
    }
    title = f"Bands, {SOURCES[found.source]}, mean over the seats"
    return text_of(
        [f"{found.room}: two surveys{f', {dates}' if dates else ''}"],
        _say("verdict", found, since=found.dates[0] or "the first survey", **verdict),
        *_causes(found),
        _say("moved", found),
        [title, *_say.table("bands", found.bands)],
        ["Seats", *_say.table("seats", found.seats, seats)],
        *(f"{what}: {names}." for what, names in missing.items() if names),
        listed(
            "Settings that are stated otherwise",
            stated_texts(found, "{name}: {planned}, then {stated}"),
        ),
    )


def _causes(found: Comparison) -> list[Part]:
    """Return what may explain a change, the likeliest first."""
    if not found.causes:
        return [_say("unknown")]
    if found.causes[0].code is not CauseCode.AS_PLANNED:
        return cause_parts(found.causes, likely=True, texts=_say)
    apart = [] if found.unchanged or not found.level_agrees else [_say("sum")]
    return [*apart, *cause_parts(found.causes[1:], likely=False, texts=_say)]


def _of_seat(row: SeatChange, found: Comparison) -> dict[str, str]:
    verdict = "unchanged" if row.agrees else "within the scatter"
    if not found.unchanged and not (row.agrees and found.level_agrees):
        tilt = abs(row.tilt_db_per_octave) > found.tolerance_db
        shape = row.rest_db > found.tolerance_db
        verdict = "shape" if shape else "tilt" if tilt else "level only"
    return {"of": SOURCES[row.source], "verdict": verdict}


_say = worded("""
verdict: {what} changed since {since}{scatters:|, as far as a repeat scatters (about
    {scatter_db:.1f} dB here)|}.
sum: What was measured alone is as it was; both together are not: polarity, delay, or what was not
    measured again. Which of them cannot be told.
bands: >Band = {label} Hz | >Change dB = {difference_db:+.1f} |
    Verdict = {agrees:|unchanged|changed}
seats: Seat = {seat} | Measured = {of} | >Level dB = {level_db:+.1f} | >Tilt dB/oct =
    {tilt_db_per_octave:+.1f} | >Rest dB (r.m.s.) = {rest_db:.1f} | Verdict = {verdict}
unknown: Why cannot be told: nothing that was tried explains it, or too much does.
moved: Level: all seats changed by {offset_db:+.1f} dB; that was removed from bands and
    verdicts.{level_agrees:|| Level knob, drive level or microphone gain: which of them cannot be
    told.}
as_planned: nothing has changed, and all this is scatter.
other_plan: the settings that {name} states are in force.
band: {looks}{known:|, and the subwoofer is {louder}|}.
each: the band at {label} Hz looks turned by {gain} dB
level: the subwoofer is {louder} against the mains.
mains_level: the mains are {louder} against the subwoofer.
filter: a {kind} near {value:.0f} Hz was switched {engaged:|on|off}.
""")
