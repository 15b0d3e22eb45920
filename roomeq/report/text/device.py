"""What a device was found to do, and the profiles that come along, as plain text.

Conventions
-----------
Numbers come from `roomeq.jobs.device`; nothing is computed here. Behind ``+-``
stand standard errors.
"""

from __future__ import annotations

from collections.abc import Iterable

from roomeq.analysis.device_fit import LEVEL
from roomeq.base.levels import signed
from roomeq.device.profile import Device
from roomeq.jobs.device import DeviceMeasurement
from roomeq.jobs.measuring.findings import Doubt, FilterRow, MoveRow
from roomeq.report.text.layout import joined, listed, number, paragraph, table, text_of

_DOUBTS = {
    Doubt.OUTSIDE: "it lies outside of what was measured",
    Doubt.MISFIT: "nothing of its kind describes the response, see below",
    Doubt.ELSEWHERE: "what was found lies outside of its third octave",
    Doubt.OTHER_GAIN: "the gain is not near the setting: was it moved, and alone?",
    Doubt.SMOOTHED: "smoothed, or of too short a window: export it without smoothing",
    Doubt.UNCERTAIN: "moved by too little, or too noisy, or too coarse",
}
_FILTER_DOUBTS = {
    Doubt.OUTSIDE: _DOUBTS[Doubt.OUTSIDE],
    Doubt.MISFIT: "no Butterworth or Linkwitz-Riley filter describes the response",
    Doubt.ELSEWHERE: "no corner within an octave of the setting describes the response",
}
_LAWS = {
    "constant": "the same Q at all gains that were measured",
    "follows": "its Q follows the gain",
    "assumed": "Q at one gain; that it is the same at others is ASSUMED: measure another gain",
}


def device_text(found: DeviceMeasurement) -> str:
    """Return what was found, what cannot be told, and what is assumed."""
    titles = [">Band", ">Set dB", ">Gain dB", ">+-", ">Centre Hz", ">+- %", ">Q", ">+- %", "Told"]
    said = [
        f"{joined(labels)} Hz: {words}."
        for law, words in _LAWS.items()
        if (labels := [label for label, own in found.laws.items() if own == law])
    ]
    equaliser, level = found.profile.equaliser, found.profile.level
    told = {f"{b.centre:g}" for b in equaliser.found if any(one.q for one in b.settings)}
    others = [f"{centre:g}" for centre in equaliser.centres if f"{centre:g}" not in told]
    if others and any(row.label != LEVEL for row in found.rows):
        said.append(f"{joined(others)} Hz: ASSUMED, not measured: {_shared(found)}.")
    if level and level.real_step_db:
        said.append(f"Level knob: a step of {level.step_db:g} dB is {level.real_step_db:g} dB.")
    moved = [
        f"{name}: its level differs by {signed(offset, digits=2)} dB besides; taken out."
        for name, offset in found.offsets_db.items()
    ]
    moved += [
        f"{name}: the bands that are said to be moved do not describe it. Something else was "
        "moved too, microphone or flat response are other ones, or it is noisy and smoothed."
        for name in found.misfits
    ]
    return text_of(
        [
            [f"What the device does, measured; started from {found.device!r}"],
            table(titles, [_cells(row) for row in found.rows]) if found.rows else [],
            [line for text in said for line in paragraph(text)],
            listed("Filters", [_filter(row) for row in found.filters]),
            *map(paragraph, moved),
        ]
    )


def _cells(row: MoveRow) -> list[str]:
    label = "level" if row.label == LEVEL else f"{row.label} Hz"
    centre, q = (None if e is None else 100.0 * e for e in (row.centre_error, row.q_error))
    return [
        *(label, signed(row.setting_db), signed(row.gain_db, digits=2)),
        *(number(row.gain_error_db, digits=2), number(row.centre, digits=2)),
        *(number(centre, digits=2), number(row.q, digits=2), number(q)),
        _verdict(row),
    ]


def _verdict(row: MoveRow) -> str:
    if row.doubt is None:
        return "all" if row.q else "gain"
    start = f"{joined(row.told)} only" if row.told else "CANNOT BE TOLD"
    return f"{start}: {_DOUBTS[row.doubt]}"


def _shared(found: DeviceMeasurement) -> str:
    law = found.profile.equaliser.q_by_gain
    if law is None:
        return f"Q {found.profile.equaliser.q:g} at all gains, gains as set, centres as called"
    pairs = [f"{q:g} at {gain:g} dB" for gain, q in zip(law.gain_db, law.q, strict=True)]
    return f"Q {joined(pairs)}, gains as set, centres as called"


def _filter(row: FilterRow) -> str:
    name = f"{row.kind.replace('_', '-')} set to {row.mark:g} Hz"
    if row.doubt in (None, Doubt.UNCERTAIN):
        start = "" if row.doubt is None else "CANNOT BE TOLD: "
        error = f"+- {100 * row.corner_error:.2f} %"
        return f"{name}: {start}{' or '.join(row.filters)} ({error})"
    return f"{name}: CANNOT BE TOLD: {_FILTER_DOUBTS[row.doubt]}"


def profiles_text(devices: Iterable[Device], *, explained: str) -> str:
    """Return the profiles that come along, and the file that explains the keys of one."""
    lines: list[str] = []
    for device in devices:
        lines += [f"{device.profile}: {device.name}", *paragraph(device.note, indent=2)]
    lines += ["", f"Every key of a profile is explained in {explained}"]
    return "\n".join(lines) + "\n"
