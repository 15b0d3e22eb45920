"""Headroom and protection in words.

Conventions
-----------
Lines of plain text, numbers taken as they are. Every code has its words here and nowhere else; a
test holds that none is missing. What is not known is left blank, never shown as 0.
"""

from __future__ import annotations

from collections.abc import Sequence

from roomeq.base.bands import third_octave_band
from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.levels import signed
from roomeq.device.crossover import HighPass
from roomeq.device.output_table import OutputTable
from roomeq.optimiser.drive.demand import HARMONIC_LIMITS_DB, BandExtra
from roomeq.optimiser.drive.headroom import Headroom, HeadroomLimit
from roomeq.optimiser.drive.protection import (
    ProtectionCandidate,
    ProtectionChange,
    ProtectionChoice,
    ProtectionReason,
)
from roomeq.report.text.layout import number, paragraph, table
from roomeq.room.equipment import Equipment

_LIMITS_TEXT = (
    "Distortion counts as clean up to "
    + ", ".join(f"{limit:g}" for limit in HARMONIC_LIMITS_DB)
    + " dB for the second to the fifth harmonic (burst limits of CEA-2010-A)."
)


def _hertz(frequency: float) -> str:
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
) -> list[str]:
    """Return headroom by band as a table, what runs out first, and by which rating and edition."""
    rows = [
        {
            ">Band": f"{entry.band.label} Hz",
            ">Aim": number(entry.wanted_db),
            ">Reached": number(entry.reached_db),
            ">Drive dB": signed(entry.rise_db),
            ">V": number(entry.voltage),
            ">W": number(entry.power_w, digits=0),
            ">mm": "" if entry.displacement is None else number(1000.0 * entry.displacement),
            ">To spare dB": signed(entry.left_db),
            "Runs out first": LIMITS[entry.limit] if entry.limit else "",
        }
        for entry in headroom.bands
    ]
    told = [title for title in rows[0] if any(row[title] for row in rows)] if rows else [">Band"]
    place = "" if main_seat is None else f", main seat {main_seat}"
    below = f"{quieter_db:.1f} dB below" if quieter_db >= 0.05 else "at"
    lines = paragraph(
        f"Headroom {below} the wanted level{place} (aim and reached: dB SPL there; drive: above "
        "that of the measurement)"
    )
    lines += table(told, [[row[title] for title in told] for row in rows])
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


def refusal_text(candidate: ProtectionCandidate) -> str:
    """Say why a high-pass must not be chosen; empty where it may be."""
    if candidate.refused is None:
        return ""
    at = "" if candidate.refused_at is None else f" at {_hertz(candidate.refused_at)}"
    words = {
        ProtectionReason.NO_EVIDENCE: "weaker, and there is neither distortion nor output data",
        ProtectionReason.NO_EVIDENCE_THERE: f"weaker, and no distortion or output data{at}",
        ProtectionReason.BOX_UNKNOWN: "weaker, and the box is not stated: a vented one unloads",
        ProtectionReason.NOT_ASSURED: f"weaker, and clean output{at} is not assured",
        ProtectionReason.MOVES_TOO_FAR_BELOW: f"the driver would move too far{at}",
        ProtectionReason.VENTED_BOX: f"too low for a box tuned to {candidate.refused_at or 0:g} Hz",
    }
    return words[candidate.refused]


def _reason_text(choice: ProtectionChoice) -> str:
    band = "" if choice.band is None else f"{choice.band} Hz"
    value = abs(choice.value_db or 0.0)
    words = {
        ProtectionReason.NO_CHOICE: "the device has no protective high-pass",
        ProtectionReason.PRESENT_UNKNOWN: (
            "its present setting is not stated, so that nothing can be said of another one"
        ),
        ProtectionReason.NO_EVIDENCE: (
            "it is never weakened or switched off without distortion or output data; record sweeps "
            "or give a table of maximum output"
        ),
        ProtectionReason.NO_EVIDENCE_THERE: (
            "distortion or output data do not reach down to where a weaker one would let more "
            "through"
        ),
        ProtectionReason.BOX_UNKNOWN: (
            "the box is not stated, and a vented one would be unloaded below its tuning"
        ),
        ProtectionReason.NOT_ASSURED: "clean output with a weaker one is not assured",
        ProtectionReason.MOVES_TOO_FAR_BELOW: (
            "with a weaker one the driver would move too far below the lowest band"
        ),
        ProtectionReason.VENTED_BOX: (
            "a vented box needs a high-pass near its tuning (common practice): below it nothing "
            "but the suspension holds the driver"
        ),
        ProtectionReason.RELIEF_NEEDED: f"the driver lacks {value:.1f} dB at {band}",
        ProtectionReason.CLEAN_TO_SPARE: (
            f"the driver has at least {value:.1f} dB to spare at the wanted level (least at {band})"
        ),
        ProtectionReason.WITHIN_HEADROOM: "no milder one is offered, and the driver is not short",
        ProtectionReason.NOT_WORTH_MOVING: "another one would gain less than half a decibel",
        ProtectionReason.CANNOT_RELIEVE: "the driver is short, but no high-pass offered helps",
    }
    return words[choice.reason]


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
    verbs = {
        ProtectionChange.KEPT: "leave it at",
        ProtectionChange.STRENGTHENED: "set it to",
        ProtectionChange.WEAKENED: "set it to",
        ProtectionChange.SWITCHED_OFF: "switch it",
    }
    setting = f"{verbs[choice.change]} {high_pass_text(choice.high_pass)}"
    if choice.reason in (ProtectionReason.NO_CHOICE, ProtectionReason.PRESENT_UNKNOWN):
        setting = "leave it as it is"
    if choice.change is not ProtectionChange.KEPT:
        setting += f" (now {high_pass_text(choice.present)})"
    reason = _reason_text(choice)
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


def drive_words(caution: Caution) -> dict[CautionCode, str]:
    """Return the words of every code on drive and wiring, with the figures of a caution."""
    of = f" ({caution.name})" if caution.name else ""
    value = caution.value if caution.value is not None else 0.0
    at = "" if caution.frequency is None else _hertz(caution.frequency)
    return {
        CautionCode.BOOST_BELOW_HIGH_PASS: (
            f"Boost of {value:.1f} dB at {at}, below the protective high-pass: it fights the "
            "protection and moves the driver; take it out."
        ),
        CautionCode.BOOST_INTO_CANCELLATION: (
            f"Boost of {value:.1f} dB at {at}, where the seats have a cancellation: it eats "
            "headroom and fills nothing; take it out."
        ),
        CautionCode.DISTORTION_EXTRAPOLATED: (
            f"The wanted level asks up to {value:.1f} dB more drive (at {at}) than the sweep had: "
            "distortion there follows from its law, and near a driver's stop it grows faster. "
            "Measure louder, in steps, but never below the subwoofer's lower limit."
        ),
        CautionCode.HIGH_PASS_FIRST: (
            f"Set the other protective high-pass first{of}, measure again and "
            "propose again: delay, polarity and what is predicted of all together are without it."
        ),
        CautionCode.JOIN_AGAIN: (
            f"The other high-pass turns the subwoofer's phase by {value:+.0f} degrees at {at}: "
            "with it set, delay, polarity and phase are to be chosen anew."
        ),
        CautionCode.LEVEL_TOO_HIGH: (
            f"The wanted level asks {value:.1f} dB more at {at} than there is: play it that much "
            'quieter, or let the drive follow the headroom (drive_limit = "headroom").'
        ),
        CautionCode.LICENSED_MAINS_WORK: (
            "Mains work is for licensed people under local codes. Switch the amplifier off before "
            "touching its terminals."
        ),
        CautionCode.MEASURING_VOLTAGE_UNKNOWN: (
            "The voltage at the terminals while measuring is not stated: volts and watts at the "
            "wanted level cannot be told."
        ),
        CautionCode.MINIMUM_IMPEDANCE_ASSUMED: (
            f"The load's lowest impedance was not measured; it is taken for {value:.2f} ohm, 0.8 "
            "times nominal (common practice)."
        ),
        CautionCode.NEVER_LIFT_EARTH: (
            "Hum is never cured by lifting the protective earth: that can kill. Use balanced "
            "lines, an isolation transformer in the signal line, or one common outlet."
        ),
        CautionCode.ROOM_GAIN_UNKNOWN: (
            "The table of maximum output holds outdoors; what the room adds is taken for 0 dB, "
            "which rooms mostly better in the lowest bass and worsen in their dips."
        ),
    }
