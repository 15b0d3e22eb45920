"""Headroom and protection in words.

Conventions
-----------
Lines of plain text, numbers taken as they are. Every code of the high-pass has its words here and
nowhere else; a test holds that none is missing. What is not known is left blank, never shown as 0.
"""

from __future__ import annotations

from collections.abc import Sequence

from roomeq.base.bands import third_octave_band
from roomeq.base.levels import signed
from roomeq.device.crossover import HighPass
from roomeq.device.output_table import OutputTable
from roomeq.optimiser.drive.demand import HARMONIC_LIMITS_DB, BandExtra
from roomeq.optimiser.drive.headroom import Headroom, HeadroomLimit
from roomeq.optimiser.drive.protection import ProtectionCandidate, ProtectionChoice
from roomeq.report.text.layout import columns, number, paragraph, table, worded
from roomeq.room.equipment import Equipment

_LIMITS_TEXT = (
    "Distortion counts as clean up to "
    + ", ".join(f"{limit:g}" for limit in HARMONIC_LIMITS_DB)
    + " dB for the second to the fifth harmonic (burst limits of CEA-2010-A)."
)


def hertz_text(frequency: float) -> str:
    """Return a band's nominal frequency for its exact centre, else the frequency itself."""
    band = third_octave_band(frequency)
    return f"{band.label if abs(frequency / band.centre - 1.0) < 1e-6 else f'{frequency:.0f}'} Hz"


LIMITS = {
    HeadroomLimit.AMPLIFIER: "amplifier voltage",
    HeadroomLimit.DISPLACEMENT: "driver displacement",
    HeadroomLimit.DISTORTION: "distortion",
    HeadroomLimit.MAXIMUM_OUTPUT: "maximum output",
}
"""What runs out."""


def extra_drive_lines(extras: Sequence[BandExtra]) -> list[str]:
    """Return what gains and level cost in each band, as a table."""
    with_box = any(entry.displacement_db is not None for entry in extras)
    titles = [">Band", ">Extra dB", ">Voltage", ">Power", ">Displacement"]
    titles += [">Of largest dB"] if with_box else []
    rows = []
    for entry in extras:
        ratios = entry.voltage_ratio, entry.power_ratio, entry.displacement_ratio
        row = [f"{entry.band.label} Hz", signed(entry.extra_db), *(f"x {r:.2f}" for r in ratios)]
        rows.append([*row, signed(entry.displacement_db)] if with_box else row)
    title = "Extra drive against all bands at 0 (the most within each band, edges included)"
    lines = [*paragraph(title), *table(titles, rows)]
    if with_box:
        said = "Of largest: displacement against the largest that any band had before."
        lines += paragraph(said, indent=2)
    return lines


def headroom_lines(
    headroom: Headroom,
    *,
    equipment: Equipment | None = None,
    output: OutputTable | str | None = None,
    main_seat: str | None = None,
    quieter_db: float = 0.0,
    detail: bool = True,
) -> list[str]:
    """Return headroom by band, what runs out first, and by which rating and edition.

    Without `detail` what runs out first alone.
    """
    rows = [
        {
            ">Band": f"{entry.band.label} Hz",
            ">Aim": number(entry.wanted_db),
            ">Reached": number(entry.reached_db),
            ">Drive dB": signed(entry.rise_db),
            ">V": number(entry.voltage),
            ">W": number(entry.power_w, digits=0),
            ">mm": number(entry.displacement_mm),
            ">To spare dB": signed(entry.left_db),
            "Runs out first": LIMITS[entry.limit] if entry.limit else "",
        }
        for entry in headroom.bands
    ]
    untold = [title for title in rows[0] if not any(row[title] for row in rows)] if rows else []
    place = "" if main_seat is None else f", main seat {main_seat}"
    below = f"{quieter_db:.1f} dB below" if quieter_db >= 0.05 else "at"
    title = f"Headroom {below} the wanted level{place}"
    if not detail:
        return [title, *paragraph(_first_text(headroom), indent=2)]
    lines = paragraph(
        f"{title} (aim and reached: dB SPL there; drive: above that of the measurement)"
    )
    lines += columns(rows, without=untold) if rows else table([">Band"], [])
    lines += paragraph(_first_text(headroom), indent=2)
    if any(entry.distortion_db is not None for entry in headroom.bands):
        lines += paragraph(_LIMITS_TEXT, indent=2)
    if output is not None:
        lines += paragraph(f"Maximum output: {output}.", indent=2)
    return [*lines, *_rating_lines(equipment)]


def _first_text(headroom: Headroom) -> str:
    first = headroom.first
    if first is None or first.limit is None or first.left_db is None:
        return (
            "What runs out first is not known: state amplifier, load and the voltage while "
            "measuring, record sweeps for distortion, or give a table of maximum output."
        )
    what = f"What runs out first: {LIMITS[first.limit]} at {first.band.label} Hz"
    if first.left_db < -0.05:
        return f"{what}, {-first.left_db:.1f} dB short."
    spare = f"{first.left_db:.1f} dB" if first.left_db >= 0.05 else "nothing"
    return f"{what}, with {spare} to spare."


def _rating_lines(equipment: Equipment | None) -> list[str]:
    if equipment is None or equipment.load is None or equipment.rated_voltage is None:
        return []
    load, rated = equipment.load, equipment.rated_voltage
    power, most = float(load.power_w(rated)), float(load.largest_power_w(rated))
    current = float(load.largest_current(rated))
    assumed = ", taken for 0.8 times nominal" if load.minimum_assumed else ""
    is_rated = equipment.amplifier is not None and equipment.amplifier.is_rated(load)
    words = "is rated for" if is_rated else "gives, derived from the rating of another load,"
    return paragraph(
        f"Load {load}; the amplifier {words} {rated:.1f} V, {power:.0f} W into it. At the "
        f"lowest impedance ({load.minimum_ohm:.2f} ohm{assumed}) that is {most:.0f} W and "
        f"{current:.1f} A.",
        indent=2,
    )


def high_pass_text(high_pass: HighPass | None) -> str:
    """Return corner, family and slope of a high-pass, or "off"."""
    if high_pass is None:
        return "off"
    family = {"butterworth": "Butterworth", "linkwitz_riley": "Linkwitz-Riley"}[high_pass.family]
    return f"{high_pass.corner:g} Hz, {family} {6 * high_pass.order} dB/oct"


_REFUSALS = worded("""
no_evidence: weaker, and there is neither distortion nor output data
no_evidence_there: weaker, and no distortion or output data{at}
box_unknown: weaker, and the box is not stated: a vented one unloads
not_assured: weaker, and clean output{at} is not assured
moves_too_far_below: the driver would move too far{at}
vented_box: too low for a box tuned to {tuning:g} Hz
""")
_REASONS = worded("""
no_choice: the device has no protective high-pass
present_unknown: its present setting is not stated, so that nothing can be said of another one
no_evidence: it is never weakened or switched off without distortion or output data; record sweeps
    or give a table of maximum output
no_evidence_there: distortion or output data do not reach down to where a weaker one would let more
    through
box_unknown: the box is not stated, and a vented one would be unloaded below its tuning
not_assured: clean output with a weaker one is not assured
moves_too_far_below: with a weaker one the driver would move too far below the lowest band
vented_box: a vented box needs a high-pass near its tuning (common practice): below it nothing but
    the suspension holds the driver
relief_needed: the driver lacks {value:.1f} dB at {band}
clean_to_spare: the driver has at least {value:.1f} dB to spare at the wanted level (least at
    {band})
within_headroom: no milder one is offered, and the driver is not short
not_worth_moving: another one would gain less than half a decibel
cannot_relieve: the driver is short, but no high-pass offered helps
""")


def refusal_text(candidate: ProtectionCandidate) -> str:
    """Say why a high-pass must not be chosen; empty where it may be."""
    if candidate.refused is None:
        return ""
    place = candidate.refused_at
    at = "" if place is None else f" at {hertz_text(place)}"
    return _REFUSALS[candidate.refused].format(at=at, tuning=place or 0.0)


def protection_lines(
    choice: ProtectionChoice, *, quieter_db: float = 0.0, detail: bool = True
) -> list[str]:
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
    setting = f"{verb} {high_pass_text(choice.high_pass)}" if choice.known else "leave it as it is"
    if choice.changes:
        setting += f" (now {high_pass_text(choice.present)})"
    band = "" if choice.band is None else f"{choice.band} Hz"
    reason = _REASONS[choice.reason].format(value=abs(choice.value_db or 0.0), band=band)
    if quieter_db >= 0.05 and choice.value_db is not None:
        reason += f", at the full wanted level; the plan stays {quieter_db:.1f} dB below it"
    lines = paragraph(f"Protective high-pass: {setting}: {reason}.", indent=2)
    lacking_db = choice.unrelieved_db
    if choice.unrelieved is not None and lacking_db is not None and lacking_db > quieter_db:
        lines += paragraph(
            f"{lacking_db - quieter_db:.1f} dB are still lacking at {choice.unrelieved} Hz: "
            "turn the level down by that much.",
            indent=2,
        )
    rows = [
        [
            high_pass_text(entry.high_pass),
            f"{entry.loss_db:.1f}",
            f"{entry.shortage_db:.1f}",
            refusal_text(entry) or "may be set",
        ]
        for entry in choice.candidates
    ]
    titles = ["High-pass", ">Bass lost dB", ">Still lacking dB", ""]
    return [*lines, *table(titles, rows)] if rows and detail else lines
