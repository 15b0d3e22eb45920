"""Headroom and protection in words.

Conventions
-----------
Lines of plain text, numbers taken as they are. Every code of the high-pass has its words here and
nowhere else; a test holds that none is missing. What is not known is left blank, never shown as 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from roomeq.base.bands import third_octave_band
from roomeq.device.crossover import HighPass
from roomeq.optimiser.drive.demand import HARMONIC_LIMITS_DB, BandExtra
from roomeq.optimiser.drive.headroom import HeadroomLimit
from roomeq.optimiser.drive.protection import ProtectionCandidate, ProtectionChoice
from roomeq.plan.plan import Plan
from roomeq.plan.records import HeadroomRecord
from roomeq.report.text.layout import Part, worded

LIMITS = {
    HeadroomLimit.AMPLIFIER: "amplifier voltage",
    HeadroomLimit.DISPLACEMENT: "driver displacement",
    HeadroomLimit.DISTORTION: "distortion",
    HeadroomLimit.MAXIMUM_OUTPUT: "maximum output",
}
"""What runs out."""
_say = worded("""
extra: Extra drive against all bands at 0 (the most within each band, edges included)
extras: >Band = {band.label} Hz | >Extra dB = {extra_db:+.1f} | >Voltage = x {voltage_ratio:.2f} |
    >Power = x {power_ratio:.2f} | >Displacement = x {displacement_ratio:.2f} | >Of largest dB =
    {displacement_db:+.1f}
largest: Of largest: displacement against the largest that any band had before.
title: Headroom {below:|{quieter_db:.1f} dB below|at} the wanted level, main seat {main_seat}
explained: (aim and reached: dB SPL there; drive: above that of the measurement)
bands: >Band = {label} Hz | >Aim = {wanted_db:.1f} | >Reached = {reached_db:.1f} | >Drive dB =
    {rise_db:+.1f} | >V = {voltage:.1f} | >W = {power_w:.0f} | >mm = {displacement_mm:.1f} |
    >To spare dB = {left_db:+.1f} | Runs out first = {what}
clean: Distortion counts as clean up to {limits} dB for the second to the fifth harmonic (burst
    limits of CEA-2010-A).
follows: The drive limit of the bands follows this headroom.
unknown: What runs out first is not known: state amplifier, load and the voltage while measuring,
    record sweeps for distortion, or give a table of maximum output.
first: What runs out first: {what} at {label} Hz, {short:|{size_db:.1f} dB short|with {spare} to
    spare}.
rated: Load {load}; the amplifier {is_rated:|is rated for|gives, derived from the rating of another
    load,} {rated:.1f} V, {power:.0f} W into it. At the lowest impedance ({load.minimum_ohm:.2f}
    ohm{load.minimum_assumed:|, taken for 0.8 times nominal|}) that is {most:.0f} W and
    {current:.1f} A.
candidates: High-pass = {name} | >Bass lost dB = {loss_db:.1f} | >Still lacking dB =
    {shortage_db:.1f} | Verdict = {why}
protection: Protective high-pass: {to}{changes:| (now {now})|}: {why}{below:|, at the full wanted
    level; the plan stays {below:.1f} dB below it|}.
lacking: {lacking_db:.1f} dB are still lacking at {unrelieved} Hz: turn the level down by that much.
""")


def hertz_text(frequency: float) -> str:
    """Return a band's nominal frequency for its exact centre, else the frequency itself."""
    band = third_octave_band(frequency)
    return f"{band.label if abs(frequency / band.centre - 1.0) < 1e-6 else f'{frequency:.0f}'} Hz"


def drive_parts(plan: Plan, *, detail: bool) -> list[Part]:
    """Return what gains and level ask of the drive, and what the wanted level leaves, of each."""
    parts: list[Part] = []
    for name, one in (plan.subwoofers or {"": plan}).items():
        found: list[Part] = []
        if detail and one.extra_drive and (one.changes or one.headroom is not None):
            found.append(extra_drive_lines(one.extra_drive))
        if one.headroom is not None:
            found.append(headroom_lines(one.headroom, detail=detail))
        parts += [[f"{name}:"], *found] if name and found else found
    return parts


def extra_drive_lines(extras: Sequence[BandExtra]) -> Part:
    """Return what gains and level cost in each band, as a table."""
    boxed = any(entry.displacement_db is not None for entry in extras)
    more = [f"  {_say('largest')}"] if boxed else []
    return [_say("extra"), *_say.table("extras", extras), *more]


def headroom_lines(record: HeadroomRecord, *, detail: bool = True) -> Part:
    """Return headroom by band, what runs out first, and by which rating and edition.

    Without `detail` what runs out first alone.
    """
    title = _say("title", record, below=record.quieter_db >= 0.05)
    texts = [_first_text(record)]
    if record.drive_limit == "headroom":
        texts.append(_say("follows"))
    found: Part = [title]
    if detail:
        limits = [{"what": one.limit and LIMITS[one.limit]} for one in record.bands]
        found = [f"{title} {_say('explained')}", *_say.table("bands", record.bands, limits)]
        texts[1:1] = _detail(record)
    return [*found, *(f"  {text}" for text in texts)]


def _detail(record: HeadroomRecord) -> list[str]:
    """Say by which limits, edition and rating the headroom is told."""
    texts = []
    if any(entry.distortion_db is not None for entry in record.bands):
        texts.append(_say("clean", limits=", ".join(f"{limit:g}" for limit in HARMONIC_LIMITS_DB)))
    if record.output is not None:
        texts.append(f"Maximum output: {record.output}.")
    amplifier, load, rated = record.amplifier, record.load, record.rated_voltage
    if load is not None and amplifier is not None and rated is not None:
        told: dict[str, Any] = {"load": load, "rated": rated, "power": load.power_w(rated)}
        told |= {"most": load.largest_power_w(rated), "current": load.largest_current(rated)}
        texts.append(_say("rated", is_rated=amplifier.is_rated(load), **told))
    return texts


def _first_text(record: HeadroomRecord) -> str:
    first = record.headroom().first
    if first is None or first.limit is None or first.left_db is None:
        return _say("unknown")
    spare = f"{first.left_db:.1f} dB" if first.left_db >= 0.05 else "nothing"
    told = {"short": first.left_db < -0.05, "size_db": -first.left_db, "spare": spare}
    return _say("first", first, what=LIMITS[first.limit], **told)


def high_pass_text(high_pass: HighPass | None) -> str:
    """Return family, slope and corner of a high-pass, or "off"."""
    return "off" if high_pass is None else str(high_pass.filter()).removeprefix("high-pass ")


_why = worded("""
no_choice: the device has no protective high-pass
present_unknown: its present setting is not stated, so that nothing can be said of another one
no_evidence: there is neither distortion nor output data for a weaker one; record sweeps or give a
    table of maximum output
no_evidence_there: distortion or output data do not reach down to where a weaker one would let more
    through{at:|, {at}|}
box_unknown: the box is not stated, and a vented one would be unloaded below its tuning
not_assured: clean output with a weaker one is not assured{at:| at {at}|}
moves_too_far_below: with a weaker one the driver would move too far{at:| at {at}| below the lowest
    band}
vented_box: a vented box needs a high-pass near its tuning{at:|, {at}|} (common practice): below it
    nothing but the suspension holds the driver
relief_needed: the driver lacks {lacking_db:.1f} dB at {band} Hz
clean_to_spare: the driver has at least {lacking_db:.1f} dB to spare at the wanted level (least at
    {band} Hz)
within_headroom: no milder one is offered, and the driver is not short
not_worth_moving: another one would gain less than half a decibel
cannot_relieve: the driver is short, but no high-pass offered helps
""")


def refusal_text(candidate: ProtectionCandidate) -> str:
    """Say why a high-pass must not be chosen; empty where it may be."""
    if candidate.refused is None:
        return ""
    at = candidate.refused_at and hertz_text(candidate.refused_at)
    return _why(candidate.refused, at=at)


def protection_lines(
    choice: ProtectionChoice, *, quieter_db: float = 0.0, detail: bool = True
) -> Part:
    """Return the high-pass to set, why, and what was looked at.

    Parameters
    ----------
    choice : ProtectionChoice
    quieter_db : float
        How far the plan stays below the wanted level, for which the high-pass is chosen.
    detail : bool
        Whether to list what else was looked at.
    """
    verb = {"kept": "leave it at", "switched_off": "switch it"}.get(choice.change, "set it to")
    below = quieter_db >= 0.05 and choice.value_db is not None
    lacking_db = (choice.unrelieved_db or 0.0) - quieter_db
    told = {
        "to": f"{verb} {high_pass_text(choice.high_pass)}" if choice.known else "leave it as it is",
        "now": high_pass_text(choice.present),
        "why": _why(choice.reason, choice, at="", lacking_db=abs(choice.value_db or 0.0)),
        "below": quieter_db if below else 0.0,
    }
    texts = [f"  {_say('protection', choice, **told)}"]
    if choice.unrelieved is not None and lacking_db > 0.0:
        texts.append(f"  {_say('lacking', choice, lacking_db=lacking_db)}")
    if not detail:
        return texts
    verdicts = [
        {"name": high_pass_text(one.high_pass), "why": refusal_text(one) or "may be set"}
        for one in choice.candidates
    ]
    return [*texts, *_say.table("candidates", choice.candidates, verdicts)]
