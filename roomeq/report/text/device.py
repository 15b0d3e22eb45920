"""What a device was found to do, and the profiles that come along, as plain text.

Conventions
-----------
Numbers come from `roomeq.jobs.device`; nothing is computed here. Behind ``+-``
stand standard errors.
"""

from __future__ import annotations

from collections.abc import Iterable

from roomeq.analysis.device_fit import LEVEL
from roomeq.device.profile import Device
from roomeq.jobs.device import DeviceMeasurement
from roomeq.jobs.measuring.findings import Doubt, FilterRow, MoveRow
from roomeq.report.text.layout import joined, listed, text_of, worded

_LAWS = ("constant", "follows", "assumed")
_say = worded("""
moves: >Band = {named} | >Set dB = {setting_db:+.1f} | >Gain dB = {gain_db:+.2f} | >+- =
    {gain_error_db:.2f} | >Centre Hz = {centre:.2f} | >+- % = {centre_percent:.2f} | >Q = {q:.2f} |
    >+- % = {q_percent:.1f} | Told = {doubt:|{told:|{told} only|CANNOT BE TOLD}:
    {why}|{q:|all|gain}}
filter: {what} set to {mark:g} Hz: {doubt:|CANNOT BE TOLD: |}{why:|{why}|{filters} (+- {percent:.2f}
    %)}
outside: it lies outside of what was measured
misfit: nothing of its kind describes the response
elsewhere: what describes the response lies too far from what was set
other_gain: the gain is not near the setting: was it moved, and alone?
smoothed: smoothed, or of too short a window: export it without smoothing
uncertain: moved by too little, or too noisy, or too coarse
constant: {labels} Hz: the same Q at all gains that were measured.
follows: {labels} Hz: its Q follows the gain.
assumed: {labels} Hz: Q at one gain; that it is the same at others is ASSUMED: measure another gain.
others: {labels} Hz: ASSUMED, not measured: Q {q}, gains as set, centres as called.
knob: Level knob: a step of {step_db:g} dB is {real_step_db:g} dB.
offset: {name}: its level differs by {offset_db:+.2f} dB besides; taken out.
not_described: {name}: the bands that are said to be moved do not describe it. Something else was
    moved too, microphone or flat response are other ones, or it is noisy and smoothed.
""")


def device_text(found: DeviceMeasurement) -> str:
    """Return what was found, what cannot be told, and what is assumed."""
    bands = {law: [label for label, own in found.laws.items() if own == law] for law in _LAWS}
    rest = [_say(law, labels=joined(labels)) for law, labels in bands.items() if labels]
    equaliser, level = found.profile.equaliser, found.profile.level
    told = {f"{b.centre:g}" for b in equaliser.found if any(one.q for one in b.settings)}
    others = [f"{centre:g}" for centre in equaliser.centres if f"{centre:g}" not in told]
    if others and any(row.label != LEVEL for row in found.rows):
        law, q = equaliser.q_by_gain, f"{equaliser.q:g} at all gains"
        if law is not None:
            pairs = zip(law.gain_db, law.q, strict=True)
            q = joined([f"{value:g} at {gain_db:g} dB" for gain_db, value in pairs])
        rest.append(_say("others", labels=joined(others), q=q))
    if level and level.real_step_db:
        rest.append(_say("knob", level))
    offsets = found.offsets_db.items()
    moved = [_say("offset", name=name, offset_db=offset_db) for name, offset_db in offsets]
    moved += [_say("not_described", name=name) for name in found.misfits]
    return text_of(
        [f"What the device does, measured; started from {found.device!r}"],
        _say.table("moves", found.rows, map(_told, found.rows)),
        rest,
        listed("Filters", [_filter(row) for row in found.filters]),
        *moved,
    )


def _told(row: MoveRow) -> dict[str, object]:
    named = "level" if row.label == LEVEL else f"{row.label} Hz"
    centre, q = (None if e is None else 100.0 * e for e in (row.centre_error, row.q_error))
    why = "" if row.doubt is None else _say[row.doubt]
    told = {"named": named, "told": joined(row.told), "why": why}
    return {"centre_percent": centre, "q_percent": q, **told}


def _filter(row: FilterRow) -> str:
    why = "" if row.doubt in (None, Doubt.UNCERTAIN) else _say[row.doubt]
    told = {"what": row.kind.replace("_", "-"), "filters": " or ".join(row.filters), "why": why}
    return _say("filter", row, percent=100 * row.corner_error, **told)


def profiles_text(devices: Iterable[Device], *, explained: str) -> str:
    """Return the profiles that come along, and the file that explains the keys of one."""
    named = [(f"{one.profile}: {one.name}", f"  {one.note}") for one in devices]
    told = [text for texts in named for text in texts]
    return text_of(told, f"Every key of a profile is explained in {explained}")
