"""A verification as plain text: verdict, likely cause and what to do, then the figures.

Conventions
-----------
Numbers come from `roomeq.jobs.verify`; nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Sequence

from roomeq.base.levels import signed_setting
from roomeq.plan.verification import Cause, CauseCode, Comparison, Verification
from roomeq.report.text.joining import loss_text
from roomeq.report.text.layout import Part, Words, joined, listed, said, text_of, worded
from roomeq.report.text.wording import SOURCES

_say = worded("""
unchecked: The joining with the mains was not checked: measure both together again, or the mains by
    themselves against the same time zero.
unknown: What is the matter cannot be told from this measurement: nothing that was tried explains
    it, or too much does. Check microphone positions, filters, polarity and the plan's settings,
    measure again, best at all seats and with the sum.
not_checked: Not checked: {bands} Hz. The sum is judged within an octave of the crossover; measure
    the subwoofer by itself as well.
bands: >Band = {label} Hz | >Measured less predicted dB = {difference_db:+.1f} |
    Verdict = {verdict}{explained:|, as the likely cause would|}
seats: Seat = {seat} | >Difference dB (r.m.s.) = {difference_db:.1f} | Verdict =
    {agrees:|agrees|differs}
by_parts: {agrees:|That is near enough to what was predicted.|It is not as predicted: check delay
    (which branch is delayed?), polarity, phase control and bypass.} Both together were not measured
    again: judged by each alone, one time zero.
mend: Set them as planned, or correct [{table}.present] in the file of the room measured again.
true: It came true{off:|, but for the level|}{part:|, as far as it was measured again|}: what was
    measured again is as predicted, as far as a repeat scatters (about {scatter_db:.1f} dB
    here){plan_date:|: nothing has changed since the plan of {plan_date}{off:|, but for the
    level|}|}.
false: It did not come true{plan_date:|: something has changed since the plan of {plan_date}, or it
    was never set so|}.
only_sum: The subwoofer alone agrees in every band, but its sum with the mains is not as predicted.
level: Level: all seats are {offset_db:+.1f} dB from the prediction; that was removed first.
level_of_both: Drive level or microphone gain are not what they were.
level_of_knob: If drive level and microphone gain were as before, the level knob stands
    {difference_db:.1f dB|too high|too low}{known:| (planned {planned} dB, looks like
    {looks_like_db:+.1f} dB)|}.
""")


def verification_text(found: Verification) -> str:
    """Return what agrees, what does not, the likely cause, and what to do."""
    against = f", beside the plan of {found.plan_date}" if found.plan_date else ""
    told = []
    for row in found.bands:
        verdict = "agrees" if row.agrees else "within the scatter" if found.agrees else "differs"
        explained = bool(found.causes) and abs(row.unexplained_db) <= found.tolerance_db
        explained = explained and verdict == "differs"
        told.append({"verdict": verdict, "explained": explained})
    unseen = ", ".join(found.bands_not_checked if found.source != "sub" else ())
    again = ", ".join(found.not_measured_again)
    of = [row.subwoofer for row in found.stated] + [row.subwoofer for row in found.stated_joining]
    mend = _say("mend", table="subwoofers" if any(of) else "device")
    stated = stated_texts(found, "{name}: planned {planned}, stated {stated}")
    title = f"Bands, {SOURCES[found.source]}, mean over the seats"
    return text_of(
        f"{found.room}: measured again{against}",
        _verdict_text(found),
        *_causes(found),
        [title, *_say.table("bands", found.bands, told)],
        _say("not_checked", bands=unseen) if unseen else "",
        ["Seats", *_say.table("seats", found.seats)],
        _sum(found),
        _say("unchecked") if found.joining_unchecked else "",
        _level(found),
        [*listed("Stated settings that are not those of the plan", stated), mend] if stated else [],
        f"Not measured again: {again}." if again else "",
    )


def _causes(found: Verification) -> list[Part]:
    told = [cause for cause in found.causes if cause.code is not CauseCode.AS_PLANNED]
    if found.agrees or found.causes:
        return cause_parts(told, likely=not found.agrees)
    return [_say("unknown")]


def cause_parts(causes: Sequence[Cause], *, likely: bool, texts: Words | None = None) -> list[Part]:
    """Return the likely cause and what it cannot be told from; or what cannot be ruled out."""
    told = [cause_text(cause, texts) for cause in causes]
    if not likely:
        return [listed("Nor can this be ruled out:", told)]
    first = [f"Likely cause: {text}" for text in told[:1]]
    return [*first, listed("It cannot be told from:", told[1:])]


def _sum(found: Verification) -> list[str]:
    check = found.joining
    if check is None:
        return []
    text = loss_text(check.corner, check.loss_db, predicted_db=check.predicted_loss_db)
    if not check.by_sum:
        text = f"{text} {_say('by_parts', check)}"
    return ["Subwoofer and mains together, around the crossover", f"  {text}"]


def _verdict_text(found: Verification) -> str:
    if found.only_sum_differs and not found.agrees:
        return _say("only_sum")
    part = found.not_measured_again or found.bands_not_checked
    code = "true" if found.agrees else "false"
    return _say(code, found, off=not found.level.agrees, part=bool(part))


_bands = worded("""
as_planned: all is as planned.
band: {looks}, not as planned{known:|, and the subwoofer is {louder} than planned|}. Set it as the
    plan has it, then measure again.
each: {label} Hz looks like {gain} dB
signs: cuts and boosts are exchanged, all signs reversed. {again}
scaled: all gains look {value:g} times as large as planned: look at the unit and at the range of the
    knobs. {again}
shifted: the list of gains stands one band too {value:|high|low}. {again}
exchanged: the gains at {bands} Hz are exchanged. Set each as the plan has it.
width: the bands are {width:|narrower|wider} than the profile says (Q about {value:g} times):
    measure one band of the device and correct the profile.
again: Set the bands as the plan has them, then measure again.
""")
"""Causes beside which what is left of the level is the level's own."""
_texts = worded("""
as_before: the settings from before are still in force: set the plan's, store them, measure again.
other_plan: the settings of {name} are in force. {again}
bands_off: the bands are off or bypassed: switch the equaliser on, look at the stored setting.
level: the subwoofer is {louder} than planned against the mains: look at its level knob.
mains_level: the mains are {louder} than when the plan was made: look at their level.
polarity: the subwoofer's polarity is the other one: look at the switch and at the cable.
delay: the subwoofer is {later} than planned: look at the delay, and at which branch it is in.
subwoofer_off: the subwoofer {name} does not play: look at its power, its cable and its output.
subwoofer_inverted: the subwoofer {name} has the other polarity: look at its switch and its cable.
subwoofer_delay: the subwoofer {name} is {later} against the others: look at its delay.
subwoofer_level: the subwoofer {name} is {louder} against the others: look at its level.
filter: a {kind} near {value:.0f} Hz is {engaged:|on that was off: switch it off, or make the plan
    with it|off that was on: switch it on again}.
microphone: the microphone's correction is {engaged:|applied twice|missing}: look at `microphone`
    and at the export.
seat_moved: the microphone stood elsewhere at {seats}: measure there again.
seats_exchanged: the files of {seats} are exchanged: look at the names.
all_moved: the microphone stood elsewhere at all seats, or the room was changed: the differences
    grow with frequency and the seats do not agree on them. Measure again at the same places.
""")


def cause_text(cause: Cause, texts: Words | None = None) -> str:
    """Return what a cause says, and what to do about it; in other words where `texts` has some."""
    code = _code(cause)
    kind, of_mains = code.removeprefix("mains_").replace("_", "-"), code.startswith("mains_")
    code = "filter" if code.endswith("_pass") else code
    words = Words({**_bands, **_texts, **(texts or {})})
    value = cause.value or 0.0
    pairs = zip(cause.bands, map(signed_setting, cause.gains_db), strict=False)
    return words(
        code,
        cause,
        kind=f"{kind} of the mains" if of_mains else kind,
        louder=said("{value:.1f dB|louder|quieter}", value=value),
        later=said("{ms:.1f ms|later|earlier}", ms=1e3 * value),
        width=value - 1.0,
        bands=joined(cause.bands),
        seats=joined(cause.seats),
        looks=joined([words("each", label=label, gain=gain) for label, gain in pairs]),
        known=cause.value is not None,
        again=words("again"),
    )


def _code(cause: Cause) -> str:
    return CauseCode.BAND if cause.code is CauseCode.TWO_BANDS else cause.code


def stated_texts(found: Verification | Comparison, words: str) -> list[str]:
    """Return each setting that is stated otherwise, by `words` with name and both values."""
    rows: list[tuple[str, str, str]] = []
    for band in found.stated:
        name = _of(band.subwoofer) + ("Level knob" if band.label == "level" else f"{band.label} Hz")
        planned, stated = map(signed_setting, (band.planned_db, band.stated_db))
        rows.append((name, f"{planned} dB", f"{stated} dB"))
    for one in found.stated_joining:
        own = one.label == "delay_ms" and one.subwoofer is not None
        name = _of(one.subwoofer) + ("Delay" if own else _JOINING_NAMES[one.label])
        value = _VALUES.get(one.label, "{value}")
        rows.append((name, said(value, value=one.planned), said(value, value=one.stated)))
    return [said(words, name=name, planned=then, stated=now) for name, then, now in rows]


def _of(subwoofer: str | None) -> str:
    return "" if subwoofer is None else f"{subwoofer}: "


_VALUES = {"delay_ms": "{value:+.2f} ms", "phase_deg": "{value:g} degrees"}
_JOINING_NAMES = {
    "delay_ms": "Delay of the subwoofer against the mains",
    "polarity": "Polarity",
    "phase_deg": "Phase control",
    "path": "Filters of the subwoofer",
    "mains_path": "Filters of the mains",
    "microphone": "The microphone's file",
    "subwoofers": "Subwoofers",
    "fed_by": "Fed by",
}


def _level(found: Verification) -> str:
    """Say how the level lies, and what the level knob looks like if levels compare."""
    level, text = found.level, _say("level", found)
    if level.agrees or not found.causes or _code(found.causes[0]) not in _bands:
        return text
    if found.source != "sub":
        return f"{text} {_say('level_of_both')}"
    known = level.planned_db is not None and level.looks_like_db is not None
    planned = signed_setting(level.planned_db or 0.0)
    return f"{text} {_say('level_of_knob', level, known=known, planned=planned)}"
