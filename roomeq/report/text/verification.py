"""A verification as plain text: verdict, likely cause and what to do, then the figures.

Conventions
-----------
Numbers come from `roomeq.jobs.verify`; nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from roomeq.base.levels import signed, signed_setting
from roomeq.plan.verification import (
    BandCheck,
    Cause,
    CauseCode,
    Comparison,
    StatedJoiningSetting,
    StatedSetting,
    Verification,
)
from roomeq.report.text.joining import loss_text
from roomeq.report.text.layout import either, joined, listed, paragraph, table, text_of, worded

_SAID = worded("""
unchecked: The joining with the mains was not checked: measure both together again, or the mains by
    themselves against the same time zero.
unknown: What is the matter cannot be told from this measurement: nothing that was tried explains
    it, or too much does. Check microphone positions, filters, polarity and the plan's settings,
    measure again, best at all seats and with the sum.
not_checked: Not checked: {bands} Hz. The sum is judged within an octave of the crossover; measure
    the subwoofer by itself as well.
near: That is near enough to what was predicted.
far: It is not as predicted: check delay (which branch is delayed?), polarity, phase control and
    bypass.
by_parts: Both together were not measured again: judged by each alone, one time zero.
mend: Set them as planned, or correct [{table}.present] in the file of the room measured again.
true: It came true{level}{part}: what was measured again is as predicted, as far as a repeat
    scatters (about {found.scatter_db:.1f} dB here){since}.
only_sum: The subwoofer alone agrees in every band, but its sum with the mains is not as predicted.
level: Level: all seats are {offset_db} dB from the prediction; that was removed first.
level_of_both: Drive level or microphone gain are not what they were.
level_of_knob: If drive level and microphone gain were as before, the level knob stands
    {size_db:.1f} dB too {way}{knob}.
""")


def verification_text(found: Verification) -> str:
    """Return what agrees, what does not, the likely cause, and what to do."""
    against = f", beside the plan of {found.plan_date}" if found.plan_date else ""
    of = "subwoofer" if found.source == "sub" else "subwoofer and mains together"
    bands = [
        [f"{row.label} Hz", signed(row.difference_db), _verdict(row, found)] for row in found.bands
    ]
    seats = [
        [row.seat, f"{row.difference_db:.1f}", "agrees" if row.agrees else "differs"]
        for row in found.seats
    ]
    unseen = ", ".join(found.bands_not_checked if found.source != "sub" else ())
    band_titles = [">Band", ">Measured less predicted dB", "Verdict"]
    parts = [
        paragraph(f"{found.room}: measured again{against}"),
        paragraph(_verdict_text(found)),
        *_causes(found),
        [f"Bands, {of}, mean over the seats", *table(band_titles, bands)],
        paragraph(_SAID["not_checked"].format(bands=unseen)) if unseen else [],
        ["Seats", *table(["Seat", ">Difference dB (r.m.s.)", "Verdict"], seats)],
        _sum(found),
        paragraph(_SAID["unchecked"]) if found.joining_unchecked else [],
        paragraph(_level(found)),
        _stated(found),
    ]
    if found.not_measured_again:
        parts.append(paragraph(f"Not measured again: {', '.join(found.not_measured_again)}."))
    return text_of(parts)


def _causes(found: Verification) -> list[list[str]]:
    told = [cause for cause in found.causes if cause.code is not CauseCode.AS_PLANNED]
    if found.agrees or found.causes:
        return cause_parts(told, likely=not found.agrees)
    return [paragraph(_SAID["unknown"])]


def cause_parts(
    causes: Sequence[Cause], *, likely: bool, texts: Mapping[str, str] | None = None
) -> list[list[str]]:
    """Return the likely cause and what it cannot be told from; or what cannot be ruled out."""
    said = [cause_text(cause, texts) for cause in causes]
    if not likely:
        return [listed("Nor can this be ruled out:", said)]
    first = [paragraph(f"Likely cause: {text}") for text in said[:1]]
    return [*first, listed("It cannot be told from:", said[1:])]


def _sum(found: Verification) -> list[str]:
    check = found.joining
    if check is None:
        return []
    said = loss_text(check.corner, check.loss_db, predicted_db=check.predicted_loss_db)
    if not check.by_sum:
        said = f"{said} {_SAID['near' if check.agrees else 'far']} {_SAID['by_parts']}"
    return ["Subwoofer and mains together, around the crossover", *paragraph(said, indent=2)]


def _verdict_text(found: Verification) -> str:
    if found.agrees:
        level = "" if found.level.agrees else ", but for the level"
        unseen = found.not_measured_again or found.bands_not_checked
        part = ", as far as it was measured again" if unseen else ""
        since = _since(found, "nothing", level)
        return _SAID["true"].format(level=level, part=part, found=found, since=since)
    if found.only_sum_differs:
        return _SAID["only_sum"]
    return f"It did not come true{_since(found, 'something')}."


def _since(found: Verification, what: str, but: str = "") -> str:
    """Say the same of a plan with a date as what has changed since."""
    if found.plan_date is None:
        return ""
    never = ", or it was never set so" if what == "something" else ""
    return f": {what} has changed since the plan of {found.plan_date}{but}{never}"


_TEXTS = worded("""
as_planned: all is as planned.
as_before: the settings from before are still in force: set the plan's, store them, measure again.
other_plan: the settings of {name} are in force. {again}
bands_off: the bands are off or bypassed: switch the equaliser on, look at the stored setting.
level: the subwoofer is {louder} than planned against the mains: look at its level knob.
mains_level: the mains are {louder} than when the plan was made: look at their level.
polarity: the subwoofer's polarity is the other one: look at the switch and at the cable.
delay: the subwoofer is {later} than planned: look at the delay, and at which branch it is in.
subwoofer_off: the subwoofer {name} does not play: look at its power, its cable and its output.
subwoofer_inverted: the subwoofer {name} has the other polarity: look at its switch and at its
    cable.
subwoofer_delay: the subwoofer {name} is {later} than it should be against the others: look at its
    delay.
subwoofer_level: the subwoofer {name} is {louder} than it should be against the others: look at its
    level.
band: {looks}, not as planned{besides}. Set it as the plan has it, then measure again.
each: {label} Hz looks like {gain} dB
besides: , and the subwoofer is {louder} than planned
signs: cuts and boosts are exchanged, all signs reversed. {again}
scaled: all gains look {value:g} times as large as planned: look at the unit and at the range of the
    knobs. {again}
shifted: the list of gains stands one band too {high}. {again}
exchanged: the gains at {bands} Hz are exchanged. Set each as the plan has it.
width: the bands are {narrower} than the profile says (Q about {value:g} times): measure one band of
    the device and correct the profile.
filter_on: a {kind} near {value:.0f} Hz is on that was off: switch it off, or make the plan with it.
filter_off: a {kind} near {value:.0f} Hz is off that was on: switch it on again.
microphone: the microphone's correction is {applied}: look at `microphone` and at the export.
seat_moved: the microphone stood elsewhere at {seats}: measure there again.
seats_exchanged: the files of {seats} are exchanged: look at the names.
all_moved: the microphone stood elsewhere at all seats, or the room was changed: the differences
    grow with frequency and the seats do not agree on them. Measure again at the same places.
""")
_FILTERS = {
    CauseCode.HIGH_PASS: "high-pass",
    CauseCode.LOW_PASS: "low-pass",
    CauseCode.MAINS_HIGH_PASS: "high-pass of the mains",
}


def cause_text(cause: Cause, texts: Mapping[str, str] | None = None) -> str:
    """Return what a cause says, and what to do about it; in other words where `texts` has some."""
    code: str = CauseCode.BAND if cause.code is CauseCode.TWO_BANDS else cause.code
    if code in _FILTERS:
        code = "filter_on" if cause.engaged else "filter_off"
    words = {**_TEXTS, **(texts or {})}
    value, known = cause.value or 0.0, cause.value is not None
    louder = either(value, "dB", "louder", "quieter")
    pairs = zip(cause.bands, map(signed_setting, cause.gains_db), strict=False)
    return words[code].format(
        value=cause.value,
        name=cause.name,
        kind=_FILTERS.get(cause.code),
        louder=louder,
        later=either(1e3 * value, "ms", "later", "earlier"),
        high="high" if value > 0 else "low",
        narrower="narrower" if value > 1 else "wider",
        applied="applied twice" if cause.engaged else "missing",
        bands=joined(cause.bands),
        seats=joined(cause.seats),
        looks=joined([words["each"].format(label=label, gain=gain) for label, gain in pairs]),
        besides=words["besides"].format(louder=louder) if known else "",
        again="Set the bands as the plan has them, then measure again.",
    )


def _stated(found: Verification) -> list[str]:
    """Return every setting stated to be another than planned, with both values."""
    texts = stated_texts(found, "{name}: planned {planned}, stated {stated}")
    if not texts:
        return []
    of_each = any(map(_of, found.stated)) or any(map(_of, found.stated_joining))
    return [
        *listed("Stated settings that are not those of the plan", texts),
        *paragraph(_SAID["mend"].format(table="subwoofers" if of_each else "device")),
    ]


def stated_texts(found: Verification | Comparison, words: str) -> list[str]:
    """Return each setting that is stated otherwise, by `words` with name and both values."""
    texts = [
        words.format(
            name=_of(row) + ("Level knob" if row.label == "level" else f"{row.label} Hz"),
            planned=f"{signed_setting(row.planned_db)} dB",
            stated=f"{signed_setting(row.stated_db)} dB",
        )
        for row in found.stated
    ]
    for one in found.stated_joining:
        own = one.label == "delay_ms" and one.subwoofer is not None
        name = "Delay" if own else _JOINING_NAMES[one.label]
        planned, stated = (_with_unit(one.label, value) for value in (one.planned, one.stated))
        texts.append(words.format(name=f"{_of(one)}{name}", planned=planned, stated=stated))
    return texts


def _of(row: StatedSetting | StatedJoiningSetting) -> str:
    return "" if row.subwoofer is None else f"{row.subwoofer}: "


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


def _with_unit(label: str, value: float | str) -> str:
    """Return a setting with the unit that its label names."""
    if isinstance(value, str):
        return value
    if label == "delay_ms":
        return f"{signed(value, digits=2)} ms"
    return f"{value:g} degrees"


def _verdict(row: BandCheck, found: Verification) -> str:
    """Say of a band whether it agrees, or whether the likely cause explains that it does not."""
    if row.agrees:
        return "agrees"
    if found.agrees:
        return "within the scatter"
    told = bool(found.causes) and abs(row.unexplained_db) <= found.tolerance_db
    return "differs, as the likely cause would" if told else "differs"


_LEVEL_APART = {
    CauseCode.AS_PLANNED,
    CauseCode.BAND,
    CauseCode.TWO_BANDS,
    CauseCode.SIGNS,
    CauseCode.SCALED,
    CauseCode.SHIFTED,
    CauseCode.EXCHANGED,
    CauseCode.WIDTH,
}
"""Causes beside which what is left of the level is the level's own."""


def _level(found: Verification) -> str:
    """Say how the level lies, and what the level knob looks like if levels compare."""
    level = found.level
    text = _SAID["level"].format(offset_db=signed(found.offset_db))
    told = found.causes[0].code if found.causes else None
    if level.agrees or told not in _LEVEL_APART:
        return text
    if found.source != "sub":
        return f"{text} {_SAID['level_of_both']}"
    knob, way = "", "high" if level.difference_db > 0 else "low"
    if level.planned_db is not None and level.looks_like_db is not None:
        planned, looks_like = signed_setting(level.planned_db), signed(level.looks_like_db)
        knob = f" (planned {planned} dB, looks like {looks_like} dB)"
    size_db = abs(level.difference_db)
    return f"{text} {_SAID['level_of_knob'].format(size_db=size_db, way=way, knob=knob)}"
