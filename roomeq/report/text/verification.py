"""A verification as plain text: verdict, likely cause and what to do, then the figures.

Conventions
-----------
Numbers come from `roomeq.jobs.verify`; nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Callable

from roomeq.base.levels import signed, signed_setting
from roomeq.plan.verification import (
    BandCheck,
    Cause,
    CauseCode,
    StatedJoiningSetting,
    StatedSetting,
    Verification,
)
from roomeq.report.text.joining import loss_text
from roomeq.report.text.layout import bullet_list, joined, paragraph, table

_UNCHECKED = (
    "The joining with the mains was not checked: measure both together again, or the mains by "
    "themselves against the same time zero."
)
_UNKNOWN = (
    "What is the matter cannot be told from this measurement: nothing that was tried explains it, "
    "or too much does. Check microphone positions, filters, polarity and the plan's settings, "
    "measure again, best at all seats and with the sum."
)
_SETTINGS = "Set the bands as the plan has them, then measure again."


def verification_text(found: Verification) -> str:
    """Return what agrees, what does not, the likely cause, and what to do."""
    against = f", beside the plan of {found.plan_date}" if found.plan_date else ""
    lines = paragraph(f"{found.room}: measured again{against}")
    lines += ["", *paragraph(_verdict_text(found)), ""]
    told = [cause for cause in found.causes if cause.code is not CauseCode.AS_PLANNED]
    if told and not found.agrees:
        first, *others = told
        lines += paragraph(f"Likely cause: {cause_text(first)}")
        if others:
            lines += ["", "It cannot be told from:"]
            lines += bullet_list([cause_text(cause) for cause in others])
        lines.append("")
    elif told:
        lines += ["Nor can this be ruled out:"]
        lines += [*bullet_list([cause_text(cause) for cause in told]), ""]
    elif not found.agrees and not found.causes:
        lines += [*paragraph(_UNKNOWN), ""]
    of = "subwoofer" if found.source == "sub" else "subwoofer and mains together"
    rows = [
        [f"{row.label} Hz", signed(row.difference_db), _verdict(row, found)] for row in found.bands
    ]
    titles = [">Band", ">Measured less predicted dB", "Verdict"]
    lines += [f"Bands, {of}, mean over the seats", *table(titles, rows), ""]
    if found.bands_not_checked and found.source != "sub":
        lines += paragraph(
            f"Not checked: {', '.join(found.bands_not_checked)} Hz. The sum is judged within an "
            "octave of the crossover; measure the subwoofer by itself as well."
        )
        lines.append("")
    rows = [
        [row.seat, f"{row.difference_db:.1f}", "agrees" if row.agrees else "differs"]
        for row in found.seats
    ]
    titles = ["Seat", ">Difference dB (r.m.s.)", "Verdict"]
    lines += ["Seats", *table(titles, rows), ""]
    if found.joining is not None:
        check = found.joining
        said = loss_text(check.corner, check.loss_db, predicted_db=check.predicted_loss_db)
        if not check.by_sum:
            near = (
                "That is near enough to what was predicted."
                if check.agrees
                else "It is not as predicted: check delay (which branch is delayed?), polarity, "
                "phase control and bypass."
            )
            said = (
                f"{said} {near} Both together were not measured again: judged by each alone, one "
                "time zero."
            )
        lines += ["Subwoofer and mains together, around the crossover", *paragraph(said, indent=2)]
        lines.append("")
    if found.joining_unchecked:
        lines += [*paragraph(_UNCHECKED), ""]
    lines += paragraph(_level(found))
    if not found.stated_as_planned:
        lines += ["", "Stated settings that are not those of the plan"]
        lines += bullet_list(_stated(found))
        of_each = any(map(_of, found.stated)) or any(map(_of, found.stated_joining))
        lines += paragraph(
            f"Set them as planned, or correct [{'subwoofers' if of_each else 'device'}.present] in "
            "the file of the room measured again."
        )
    if found.not_measured_again:
        lines += ["", *paragraph(f"Not measured again: {', '.join(found.not_measured_again)}.")]
    return "\n".join(lines) + "\n"


def _verdict_text(found: Verification) -> str:
    if found.agrees:
        level = "" if found.level.agrees else ", but for the level"
        unseen = found.not_measured_again or found.bands_not_checked
        part = ", as far as it was measured again" if unseen else ""
        return (
            f"It came true{level}{part}: what was measured again is as predicted, as far as a "
            f"repeat scatters (about {found.scatter_db:.1f} dB here)"
            f"{_since(found, 'nothing', level)}."
        )
    if found.only_sum_differs:
        return (
            "The subwoofer alone agrees in every band, but its sum with the mains is not as "
            "predicted."
        )
    return f"It did not come true{_since(found, 'something')}."


def _since(found: Verification, what: str, but: str = "") -> str:
    """Say the same of a plan with a date as what has changed since."""
    if found.plan_date is None:
        return ""
    never = ", or it was never set so" if what == "something" else ""
    return f": {what} has changed since the plan of {found.plan_date}{but}{never}"


def cause_text(cause: Cause) -> str:
    """Return what a cause says, and what to do about it."""
    return _TEXTS[cause.code](cause)


def _bands(cause: Cause) -> str:
    looks = [
        f"{label} Hz looks like {signed_setting(gain)} dB"
        for label, gain in zip(cause.bands, cause.gains_db, strict=True)
    ]
    level = "" if cause.value is None else f", and the subwoofer is {louder(cause)} than planned"
    return f"{joined(looks)}, not as planned{level}. Set it as the plan has it, then measure again."


def _filter(kind: str) -> Callable[[Cause], str]:
    def said(cause: Cause) -> str:
        near = f"near {cause.value:.0f} Hz"
        if cause.engaged:
            return f"a {kind} {near} is on that was off: switch it off, or make the plan with it."
        return f"a {kind} {near} is off that was on: switch it on again."

    return said


def _microphone(cause: Cause) -> str:
    what = "applied twice" if cause.engaged else "missing"
    return f"the microphone's correction is {what}: look at `microphone` and at the export."


_TEXTS: dict[CauseCode, Callable[[Cause], str]] = {
    CauseCode.AS_PLANNED: lambda _: "all is as planned.",
    CauseCode.AS_BEFORE: lambda _: (
        "the settings from before are still in force: set the plan's, store them, measure again."
    ),
    CauseCode.OTHER_PLAN: lambda c: f"the settings of {c.name} are in force. {_SETTINGS}",
    CauseCode.BANDS_OFF: lambda _: (
        "the bands are off or bypassed: switch the equaliser on, look at the stored setting."
    ),
    CauseCode.LEVEL: lambda c: (
        f"the subwoofer is {louder(c)} than planned against the mains: look at its level knob."
    ),
    CauseCode.MAINS_LEVEL: lambda c: (
        f"the mains are {louder(c)} than when the plan was made: look at their level."
    ),
    CauseCode.POLARITY: lambda _: (
        "the subwoofer's polarity is the other one: look at the switch and at the cable."
    ),
    CauseCode.DELAY: lambda c: (
        f"the subwoofer is {abs(1e3 * (c.value or 0.0)):.1f} ms "
        f"{'later' if (c.value or 0.0) > 0 else 'earlier'} than planned: look at the delay, and at "
        "which branch it is in."
    ),
    CauseCode.SUBWOOFER_OFF: lambda c: (
        f"the subwoofer {c.name} does not play: look at its power, its cable and its output."
    ),
    CauseCode.SUBWOOFER_INVERTED: lambda c: (
        f"the subwoofer {c.name} has the other polarity: look at its switch and at its cable."
    ),
    CauseCode.SUBWOOFER_DELAY: lambda c: (
        f"the subwoofer {c.name} is {abs(1e3 * (c.value or 0.0)):.1f} ms "
        f"{'later' if (c.value or 0.0) > 0 else 'earlier'} than it should be against the others: "
        "look at its delay."
    ),
    CauseCode.SUBWOOFER_LEVEL: lambda c: (
        f"the subwoofer {c.name} is {louder(c)} than it should be against the others: look at "
        "its level."
    ),
    CauseCode.BAND: _bands,
    CauseCode.TWO_BANDS: _bands,
    CauseCode.SIGNS: lambda _: f"cuts and boosts are exchanged, all signs reversed. {_SETTINGS}",
    CauseCode.SCALED: lambda c: (
        f"all gains look {c.value:g} times as large as planned: look at the unit and at the range "
        f"of the knobs. {_SETTINGS}"
    ),
    CauseCode.SHIFTED: lambda c: (
        f"the list of gains stands one band too {'high' if (c.value or 0) > 0 else 'low'}. "
        f"{_SETTINGS}"
    ),
    CauseCode.EXCHANGED: lambda c: (
        f"the gains at {joined(c.bands)} Hz are exchanged. Set each as the plan has it."
    ),
    CauseCode.WIDTH: lambda c: (
        f"the bands are {'narrower' if (c.value or 0) > 1 else 'wider'} than the profile says "
        f"(Q about {c.value:g} times): measure one band of the device and correct the profile."
    ),
    CauseCode.HIGH_PASS: _filter("high-pass"),
    CauseCode.LOW_PASS: _filter("low-pass"),
    CauseCode.MAINS_HIGH_PASS: _filter("high-pass of the mains"),
    CauseCode.MICROPHONE: _microphone,
    CauseCode.SEAT_MOVED: lambda c: (
        f"the microphone stood elsewhere at {joined(c.seats)}: measure there again."
    ),
    CauseCode.SEATS_EXCHANGED: lambda c: (
        f"the files of {joined(c.seats)} are exchanged: look at the names."
    ),
    CauseCode.ALL_MOVED: lambda _: (
        "the microphone stood elsewhere at all seats, or the room was changed: the differences "
        "grow with frequency and the seats do not agree on them. Measure again at the same places."
    ),
}


def louder(cause: Cause) -> str:
    """Say how much louder or quieter something was found."""
    value = cause.value or 0.0
    return f"{abs(value):.1f} dB {'louder' if value > 0 else 'quieter'}"


def _stated(found: Verification) -> list[str]:
    """Return every setting stated to be another than planned, with both values."""
    texts = [
        f"{_of(row)}{'Level knob' if row.label == 'level' else f'{row.label} Hz'}: planned "
        f"{signed_setting(row.planned_db)} dB, stated {signed_setting(row.stated_db)} dB"
        for row in found.stated
    ]
    for entry in found.stated_joining:
        own = entry.label == "delay_ms" and entry.subwoofer is not None
        name = "Delay" if own else _JOINING_NAMES[entry.label]
        planned, stated = (
            _with_unit(entry.label, value) for value in (entry.planned, entry.stated)
        )
        texts.append(f"{_of(entry)}{name}: planned {planned}, stated {stated}")
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
    text = (
        f"Level: all seats are {signed(found.offset_db)} dB from the prediction; that was removed "
        "first."
    )
    told = found.causes[0].code if found.causes else None
    if level.agrees or told not in _LEVEL_APART:
        return text
    if found.source != "sub":
        return f"{text} Drive level or microphone gain are not what they were."
    way = "high" if level.difference_db > 0 else "low"
    knob = f"the level knob stands {abs(level.difference_db):.1f} dB too {way}"
    if level.planned_db is not None and level.looks_like_db is not None:
        knob += (
            f" (planned {signed_setting(level.planned_db)} dB, looks like "
            f"{signed(level.looks_like_db)} dB)"
        )
    return f"{text} If drive level and microphone gain were as before, {knob}."
