"""Page 2 of the settings sheet: what the settings should do, what they cannot, and how one knows.

Conventions
-----------
Numbers come from the plan; nothing is computed here. What is equal in several plans is said once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from roomeq.base.cautions import CautionCode
from roomeq.base.levels import signed
from roomeq.optimiser.bands.reasons import BandSetting, Reason
from roomeq.optimiser.drive.headroom import BandHeadroom
from roomeq.plan.joining import JoiningSeatRow
from roomeq.plan.plan import Plan
from roomeq.plan.records import HeadroomRecord, SeatResult
from roomeq.report.sheet.steps import bands_side_by_side, owners, side_by_side, with_minus
from roomeq.report.text.headroom import LIMITS
from roomeq.report.text.joining import (
    joining_doubts,
    joining_sentences,
    joining_verdict,
    meeting_sentences,
)
from roomeq.report.text.layout import joined, number, worded
from roomeq.report.text.plan import (
    OLD_STATEMENT,
    average_sentence,
    boost_sentences,
    proof_sentence,
    q_sentences,
)
from roomeq.report.text.recordings import alarm_texts
from roomeq.report.text.several import own_cautions, together_sentences, together_verdict
from roomeq.report.text.wording import SOURCES, caution_text

DASH = "\N{EN DASH}"
_RECORD = (
    ("date", "When"),
    ("by", "By"),
    ("instrument", "With"),
    ("conditions", "Conditions"),
    ("drive_level", "Drive level"),
)
_REMEDIES = worded("""
seats_disagree: The seats differ more than they share, and one equaliser changes all of them alike.
    | Moving the subwoofer or a seat, a second subwoofer, damping.
cancellation: Sound cancels there; a boost is cancelled too.
    | Moving the subwoofer or the seat, a second subwoofer elsewhere.
unsure_cancellation: Sound cancels there, or a low-pass that is not stated takes it away: no
    boost for either. | Stating the low-pass; moving the subwoofer or the seat, a second subwoofer.
held_by_drive_boost: More gain would drive the subwoofer past the limit set for it.
    | A subwoofer that can do more, or a second one.
held_by_filter_boost: More gain would pass the limit set for the summed boost.
    | Moving the subwoofer, or a second one; a higher limit only if there is headroom.
held_by_range: The band is at the end of its range. | Moving the subwoofer or the seats, damping.
below_limit: It lies below what the subwoofer can do. | A subwoofer that reaches lower.
unsure_below_limit: Whether the subwoofer can do more there is not known.
    | Stating its lower limit, or a subwoofer that reaches lower.
roll_off: It is the subwoofer's own roll-off, which no boost should fight.
    | A subwoofer that reaches lower.
noise: Noise hides it. | Measuring again in a quieter room, with a longer sweep.
not_measured: It was not measured. | Measuring over the whole range of the bands.
""")
"""Of reasons: why a band is left over, and what would mend that."""
_IN_STEPS = frozenset({CautionCode.LEVEL_OUTSIDE_RANGE, CautionCode.LOW_PASS_TWICE})
_GRANTED = frozenset(
    {
        CautionCode.BANDS_IN_NOISE,
        CautionCode.MEASURING_VOLTAGE_UNKNOWN,
        CautionCode.MINIMUM_IMPEDANCE_ASSUMED,
        CautionCode.NOISE_UNKNOWN,
        CautionCode.Q_ASSUMED,
        CautionCode.ROOM_GAIN_UNKNOWN,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedText:
    """A text and the names of the plans that it belongs to; no names where it is all of them."""

    text: str
    names: str = ""
    weighty: bool = False


def figure(value: float | None, *, sign: bool = True) -> str:
    """Return dB with one decimal and a true minus sign; a dash where nothing is known."""
    text = with_minus(signed(value)) or DASH
    return text if sign else text.lstrip("+")


def bands_by_remedy(plan: Plan) -> dict[tuple[str, str], list[BandSetting]]:
    """Return the bands that filters cannot mend, by why that is and what would mend them."""
    stated = plan.present is not None and plan.present.path is not None
    unsure: dict[str, bool] = {
        Reason.BELOW_LIMIT: not plan.target.limit_known,
        Reason.CANCELLATION: not (stated or plan.target.path or plan.target.corner),
    }
    found: dict[tuple[str, str], list[BandSetting]] = {}
    for code, words in _REMEDIES.items():
        reason = code.removeprefix("unsure_")
        bands = [band for band in plan.bands if band.reason == reason]
        if bands and unsure.get(reason, False) == (reason != code):
            why, would = words.split(" | ")
            found[why, would] = bands
    return found


def left_over(bands: Sequence[BandSetting]) -> str:
    """Name bands with what is left at each."""
    left = ("" if b.remaining_db is None else f" ({figure(b.remaining_db)} dB)" for b in bands)
    return joined([f"{band.label} Hz{text}" for band, text in zip(bands, left, strict=True)])


def judged_text(plan: Plan) -> str:
    """Name what is judged."""
    if plan.together is not None:
        return "Deviation of each seat by itself, mean over the seats:"
    if plan.joining is None:
        return "Weighted deviation from the target:"
    if plan.joining.bands is None:
        return "What the sum loses around the crossover:"
    return "Weighted deviation from the target, with the mains:"


def sentences(plan: Plan) -> list[tuple[str, list[str]]]:
    """Return what backs a plan in sentences, by what they speak of."""
    if plan.together is not None:
        found = [together_verdict(plan.together), *together_sentences(plan)]
        if (mains := plan.joining) is None:
            return [("The subwoofers together", found)]
        both = [joining_verdict(mains), *joining_sentences(mains, brief=True)]
        return [("The subwoofers together", found), ("Subwoofers and mains together", both)]
    alone, joining = [proof_sentence(plan), average_sentence(plan)], plan.joining
    alone += boost_sentences(plan)
    if joining is None:
        return [("How good it is", [*alone, *q_sentences(plan)])]
    both = [joining_verdict(joining), *joining_sentences(joining, brief=True), *q_sentences(plan)]
    return [("Subwoofer and mains together", both), ("The subwoofer alone", alone)]


def headroom_cells(band: BandHeadroom) -> tuple[str, ...]:
    """Return level, volts, watts, millimetres and what is left in a band; dashes where unknown."""
    texts = (
        number(band.reached_db),
        number(band.voltage),
        number(band.power_w, digits=0),
        number(band.displacement_mm),
        signed(band.left_db),
    )
    return tuple(text or DASH for text in texts)


def share(texts: Mapping[str, Sequence[str]]) -> tuple[SharedText, ...]:
    """Return every text once, in order, with the plans it belongs to."""
    return tuple(SharedText(text=text, names=names) for text, names in owners(texts).items())


def cautions(plans: Mapping[str, Plan]) -> tuple[SharedText, ...]:
    """Return the cautions of all plans, reservations first and marked as weighty.

    What the steps say is not said again, nor what belongs to what was taken for granted.
    """
    weighty: dict[str, list[str]] = {}
    plain: dict[str, list[str]] = {}
    for name, plan in plans.items():
        first = [OLD_STATEMENT] if plan.statement == 1 else []
        both = plan.joining
        doubts = [*joining_doubts(both), *meeting_sentences(both.meeting)] if both else []
        looks = [*plan.findings, *alarm_texts(plan.recordings)]
        found = [f"Look at the measurements first: {text}" for text in looks]
        said = [caution_text(one) for one in plan.reservations if one.code not in _IN_STEPS]
        weighty[name] = [*first, *found, *doubts, *said, *own_cautions(plan, reservations=True)]
        plain[name] = [
            caution_text(caution)
            for caution in plan.cautions
            if caution not in plan.reservations and caution.code not in _GRANTED
        ] + own_cautions(plan, reservations=False)
    return (*(replace(entry, weighty=True) for entry in share(weighty)), *share(plain))


def granted(plan: Plan) -> list[str]:
    """Return what was taken for granted, cautions that say nothing else included."""
    cautions = [caution_text(one) for one in plan.cautions if one.code in _GRANTED]
    level, between = plan.level, []
    if abs(level.residual_db) >= 0.05:  # else it is the same figure in print
        exact = signed(level.exact_change_db, digits=2)
        between = [f"what is predicted is so at a level change of {exact} dB, between the steps"]
    return [*cautions, *between, *plan.assumptions]


def merged_notes(plan: Plan) -> list[str]:
    """Return notes that differ only in the file before the first colon as one.

    Where they speak of all measurements, of three at least, the files are not listed again.
    """
    measured = {entry.file for entry in plan.inputs if entry.role == "measurement"}
    files: dict[str, dict[str, None]] = {}
    for note in plan.notes:
        file, colon, text = note.partition(": ")
        files.setdefault(text if colon else note, {})[file if colon else ""] = None
    merged = []
    for text, names in files.items():
        everyone = len(measured) >= 3 and set(names) == measured
        who = "every measurement" if everyone else joined(list(names))
        merged.append(f"{who}: {text}" if any(names) else text)
    return merged


def record(plans: Mapping[str, Plan]) -> tuple[tuple[str, tuple[SharedText, ...]], ...]:
    """Return when, by whom, with what and how it was measured; "not stated" where it is not."""
    known = {key for key, _ in _RECORD}
    further = list(dict.fromkeys(k for p in plans.values() for k in p.record if k not in known))
    rows = [
        (title, share({name: [p.record.get(key, "not stated")] for name, p in plans.items()}))
        for key, title in (*_RECORD, *((key, key) for key in further))
    ]
    levels = {"spl": "dB SPL", "relative": "relative levels"}
    played = {}
    for name, p in plans.items():
        what = SOURCES["joined" if p.joining else p.source]
        what = what.replace("the subwoofer", "each subwoofer") if p.subwoofers else what
        played[name] = [f"{what}, {levels[p.level_reference]}"]
    return (*rows, ("What played", share(played)))


def inputs(plans: Mapping[str, Plan]) -> tuple[tuple[str, str, str, str], ...]:
    """Return the files that the plans were made from: name, role, SHA-256 digest, plans."""
    files = {name: [(e.file, e.role, e.sha256) for e in p.inputs] for name, p in plans.items()}
    return tuple((*key, names) for key, names in owners(files).items())


def left_out(plans: Iterable[Plan]) -> bool:
    """Return whether any seat was judged by settings that were chosen without it."""
    rows = (row for plan in plans for row in plan.judged_seats)
    return any(row.left_out_after_db is not None for row in rows)


MOST_SIDE_BY_SIDE = 3
_ARROW = " \N{RIGHTWARDS ARROW} "


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Evidence of several plans: a row for each band, seat and figure, a cell for each plan.

    Attributes
    ----------
    bands, seats, figures : mapping
        Rows by label, name and title.
    spread_shared, weights_shared : bool
        Whether the standard deviations between seats, and the weights of the seats, are the same in
        all plans; else they stand in the cells.
    left_out : bool
        Whether any plan tells of settings that were chosen without a seat.
    remedies : tuple
        Bands that filters cannot mend with the plans they belong to, why, and what would.
    """

    bands: Mapping[str, tuple[BandSetting | None, ...]]
    spread_shared: bool
    seats: Mapping[str, tuple[SeatResult | JoiningSeatRow | None, ...]]
    weights_shared: bool
    left_out: bool
    figures: Mapping[str, tuple[str | None, ...]]
    remedies: tuple[tuple[tuple[SharedText, ...], str, str], ...]


def sheet_comparison(plans: Mapping[str, Plan]) -> Comparison:
    """Lay the evidence of several plans side by side.

    Parameters
    ----------
    plans : mapping of str to Plan

    Returns
    -------
    Comparison
    """
    listed = list(plans.values())
    bands = bands_side_by_side(listed)
    joins = any(plan.joining is not None for plan in listed)
    seats = side_by_side({row.seat: row for row in plan.judged_seats} for plan in listed)
    return Comparison(
        bands=bands,
        spread_shared=all(
            len({figure(band.spread_db) for band in row if band}) == 1 for row in bands.values()
        ),
        seats=seats,
        weights_shared=all(
            len({f"{100 * seat.weight:.0f}" for seat in row if seat}) == 1 for row in seats.values()
        ),
        left_out=left_out(listed),
        figures=side_by_side(_figures(plan, joins=joins) for plan in listed),
        remedies=_remedies(plans),
    )


def _remedies(plans: Mapping[str, Plan]) -> tuple[tuple[tuple[SharedText, ...], str, str], ...]:
    found = {name: bands_by_remedy(plan) for name, plan in plans.items()}

    def named(cause: tuple[str, str], name: str) -> list[str]:
        bands = found[name].get(cause)
        return [f"{joined([band.label for band in bands])} Hz"] if bands else []

    causes = dict.fromkeys(cause for bands in found.values() for cause in bands)
    return tuple((share({name: named(cause, name) for name in plans}), *cause) for cause in causes)


def _figures(plan: Plan, *, joins: bool) -> dict[str, str]:
    """Return what backs a plan in sentences, by what they speak of."""
    alone = ", subwoofer alone" if joins else ""
    rows = {f"How near the best{alone}": proof_sentence(plan)}
    rows[f"How even{alone}"] = average_sentence(plan)
    rows["Boost and drive"] = " ".join(boost_sentences(plan))
    if plan.evidence.q_checks:
        title = f"Another Q{', with the mains' if plan.joining else alone}"
        rows[title] = " ".join(q_sentences(plan))
    return rows if plan.headroom is None else rows | _headroom(plan.headroom)


def _headroom(record: HeadroomRecord) -> dict[str, str]:
    first = record.headroom().first
    if first is None or first.limit is None or first.left_db is None:
        return {}
    _, _, watts, moved, left = headroom_cells(first)
    left = f"{-first.left_db:.1f} dB short" if first.left_db < -0.05 else f"{left} dB to spare"
    text = f"{first.label} Hz, {LIMITS[first.limit]}: {left}, {watts} W, {moved} mm"
    below = f"{record.quieter_db:.1f} dB below it, " if record.quieter_db >= 0.05 else ""
    return {"Runs out first at the wanted level": f"{below}{text}"}
