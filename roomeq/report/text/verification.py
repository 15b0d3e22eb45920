"""A verification as plain text.

Conventions
-----------
Numbers come from `roomeq.jobs.verify`; nothing is computed here.
"""

from __future__ import annotations

from roomeq.jobs.verify import BandCheck, Verification
from roomeq.plan.verification import JoiningCheck, JoiningLook
from roomeq.report.text.layout import bullet_list, paragraph, signed, signed_setting, table
from roomeq.report.text.summation import loss_text

__all__ = ["verification_text"]

_SUSPECTS = "Look at these settings first"
_UNCHECKED = (
    "The joining with the mains was not checked: measure both together again, or the mains by "
    "themselves against the same time zero."
)


def verification_text(found: Verification) -> str:
    """Return what agrees, what does not, and what was probably set wrongly."""
    bands, seats = (row.agrees for row in found.bands), (row.agrees for row in found.seats)
    alone = all(bands) and all(seats)
    close = f"within {found.tolerance_db:.1f} dB in every band, averaged over the seats"
    verdict = f"It came true, {close}." if found.agrees else f"It did not come true: not {close}."
    if alone and not found.agrees:
        verdict = f"The subwoofer alone is {close}, but its sum with the mains is not as predicted."
    lines = [f"{found.room}: measured again", "", *paragraph(verdict), ""]
    rows = [
        [f"{row.label} Hz", signed(row.difference_db), _verdict(row, found)] for row in found.bands
    ]
    titles = [">Band", ">Measured less predicted dB", "Verdict"]
    lines += ["Bands, mean over the seats", *table(titles, rows), ""]
    rows = [
        [row.seat, f"{row.difference_db:.1f}", "agrees" if row.agrees else "differs"]
        for row in found.seats
    ]
    titles = ["Seat", ">Difference dB (r.m.s.)", "Verdict"]
    lines += ["Seats", *table(titles, rows), ""]
    if found.joining is not None:
        lines += [*_joining(found.joining), ""]
    if found.joining_unchecked:
        lines += [*paragraph(_UNCHECKED), ""]
    lines += paragraph(_level(found))
    if found.suspects:
        forgotten = found.joining is not None and found.joining.looks_like is JoiningLook.AS_BEFORE
        title = "Only after that look at these settings" if forgotten else _SUSPECTS
        lines += ["", title]
        lines += bullet_list(
            [
                f"{row.label} Hz: planned {signed_setting(row.planned_db)} dB, looks like "
                f"{signed_setting(row.looks_like_db)} dB"
                for row in found.suspects
            ]
        )
    elif not alone:
        lines += [
            "",
            *paragraph(
                "No single band explains it: check that nothing else was changed (low-pass, "
                "polarity, phase, position of the subwoofer or the microphone)."
            ),
        ]
    if not found.stated_as_planned:
        lines += ["", "Stated settings that are not those of the plan"]
        lines += bullet_list(_stated(found))
        lines += paragraph(
            "Set them as planned, or correct [device.present] in the file of the room measured "
            "again."
        )
    if found.not_measured_again:
        lines += ["", *paragraph(f"Not measured again: {', '.join(found.not_measured_again)}.")]
    return "\n".join(lines) + "\n"


def _stated(found: Verification) -> list[str]:
    """Return every setting stated to be another than planned, with both values."""
    texts = [
        f"{'Level knob' if row.label == 'level' else f'{row.label} Hz'}: planned "
        f"{signed_setting(row.planned_db)} dB, stated {signed_setting(row.stated_db)} dB"
        for row in found.stated
    ]
    for row in found.stated_joining:
        name = _JOINING_NAMES[row.label]
        planned, stated = (_with_unit(row.label, value) for value in (row.planned, row.stated))
        texts.append(f"{name}: planned {planned}, stated {stated}")
    return texts


_JOINING_NAMES = {
    "delay_ms": "Delay of the subwoofer against the mains",
    "polarity": "Polarity",
    "phase_deg": "Phase control",
}


def _with_unit(label: str, value: float | str) -> str:
    """Return a setting with the unit that its label names."""
    if isinstance(value, str):
        return value
    if label == "delay_ms":
        return f"{signed(value, digits=2)} ms"
    return f"{value:g} degrees"


def _joining(check: JoiningCheck) -> list[str]:
    """Say whether the sum with the mains came true, and which setting it looks like."""
    words = {
        JoiningLook.AS_PLANNED: "It looks as planned.",
        JoiningLook.OTHER_POLARITY: (
            "It looks like the other polarity: check that setting first, then which branch is "
            "delayed (half a period looks alike)."
        ),
        JoiningLook.AS_BEFORE: (
            "It looks as before: check that delay, polarity, phase and bypass were set at all."
        ),
        JoiningLook.OTHER_LEVEL: (
            "It looks as planned but for the level of the subwoofer: check its level knob first."
        ),
        JoiningLook.SOMETHING_ELSE: (
            "It is neither as planned, nor as before, nor the other polarity: check delay (which "
            "branch is delayed?), phase control and bypass."
        ),
    }
    title = "Subwoofer and mains together, around the crossover"
    said = loss_text(check.corner, check.loss_db, predicted_db=check.predicted_loss_db)
    if not check.seats:
        by_loss = (
            "That is near enough to what was predicted."
            if check.agrees
            else "It is not as predicted: check delay (which branch is delayed?), polarity, phase "
            "control and bypass."
        )
        lines = ["Both together were not measured again: judged by each alone, one time zero."]
        return [title, *paragraph(" ".join([said, by_loss, *lines]), indent=2)]
    rows = [
        [row.seat, f"{row.difference_db:.1f}", "agrees" if row.agrees else "differs"]
        for row in check.seats
    ]
    titles = ["Seat", ">Difference dB (r.m.s.)", "Verdict"]
    return [
        title,
        *table(titles, rows),
        *paragraph(said, indent=2),
        *paragraph(words[check.looks_like], indent=2),
    ]


def _verdict(row: BandCheck, found: Verification) -> str:
    """Say of a band whether it agrees, is set wrongly itself, or hears a neighbour's skirt."""
    if row.agrees:
        return "agrees"
    if row.label in [suspect.label for suspect in found.suspects]:
        return "differs, see below"
    if abs(row.unexplained_db) <= found.tolerance_db:
        labels = [suspect.label for suspect in found.suspects]
        named = " and ".join(filter(None, [", ".join(labels[:-1]), labels[-1]]))
        return f"explained by {named} Hz"
    return "differs"


def _level(found: Verification) -> str:
    """Say how the level lies, and what the level knob looks like if levels compare."""
    level = found.level
    text = (
        f"Level: all seats are {signed(found.offset_db)} dB from the prediction; that was removed "
        "first."
    )
    if level.agrees:
        return text
    way = "high" if level.difference_db > 0 else "low"
    knob = f"the level knob stands {abs(level.difference_db):.1f} dB too {way}"
    if level.planned_db is not None and level.looks_like_db is not None:
        knob += (
            f" (planned {signed(level.planned_db)} dB, looks like {signed(level.looks_like_db)} dB)"
        )
    return f"{text} If drive level and microphone gain were as before, {knob}."
