"""Page 2 of the settings sheet: what the settings should do, what they cannot, and how one knows.

Conventions
-----------
Numbers come from the plan; nothing is computed here. What is equal in several plans is said once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from roomeq.base.cautions import CautionCode
from roomeq.base.levels import signed
from roomeq.optimiser.bands.reasons import Reason
from roomeq.plan.plan import Plan
from roomeq.plan.records import HeadroomRecord
from roomeq.report.sheet.steps import owners, shared, side_by_side
from roomeq.report.text.headroom import LIMITS, headroom_lines
from roomeq.report.text.joining import (
    joining_doubts,
    joining_sentences,
    joining_verdict,
    meeting_sentences,
)
from roomeq.report.text.layout import joined, worded
from roomeq.report.text.plan import (
    OLD_STATEMENT,
    average_sentence,
    boost_sentences,
    proof_sentence,
    q_sentences,
)
from roomeq.report.text.recordings import alarm_texts
from roomeq.report.text.several import own_cautions, together_sentences, together_verdict
from roomeq.report.text.wording import SOURCES, caution_text, reason_text

_HERTZ = "\N{NO-BREAK SPACE}Hz"
_RECORD = {
    "date": "When",
    "by": "By",
    "instrument": "With",
    "conditions": "Conditions",
    "drive_level": "Drive level",
}
_REMEDIES = worded("""
seats_disagree: The seats differ more than they share, and one equaliser changes all of them alike.
    Moving the subwoofer or a seat, a second subwoofer, damping.
cancellation: Sound cancels there; a boost is cancelled too.
    Moving the subwoofer or the seat, a second subwoofer elsewhere.
unsure_cancellation: Sound cancels there, or a low-pass that is not stated takes it away: no
    boost for either. Stating the low-pass; moving the subwoofer or the seat, a second subwoofer.
held_by_drive_boost: More gain would drive the subwoofer past the limit set for it.
    A subwoofer that can do more, or a second one.
held_by_filter_boost: More gain would pass the limit set for the summed boost.
    Moving the subwoofer, or a second one; a higher limit only if there is headroom.
held_by_range: The band is at the end of its range. Moving the subwoofer or the seats, damping.
below_limit: It lies below what the subwoofer can do. A subwoofer that reaches lower.
unsure_below_limit: Whether the subwoofer can do more there is not known.
    Stating its lower limit, or a subwoofer that reaches lower.
roll_off: It is the subwoofer's own roll-off, which no boost should fight.
    A subwoofer that reaches lower.
noise: Noise hides it. Measuring again in a quieter room, with a longer sweep.
not_measured: It was not measured. Measuring over the whole range of the bands.
""")
"""Of reasons: why a band is left over, and what would mend that."""
_STAYS = (
    "What differs from seat to seat stays, for one equaliser changes all seats alike. Moving the "
    "subwoofer or a seat, a second subwoofer or damping would change it."
)
_IN_STEPS = {CautionCode.LEVEL_OUTSIDE_RANGE, CautionCode.LOW_PASS_TWICE}
_GRANTED = {
    CautionCode.BANDS_IN_NOISE,
    CautionCode.MEASURING_VOLTAGE_UNKNOWN,
    CautionCode.MINIMUM_IMPEDANCE_ASSUMED,
    CautionCode.NOISE_UNKNOWN,
    CautionCode.Q_ASSUMED,
    CautionCode.ROOM_GAIN_UNKNOWN,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Evidence of plans side by side.

    Attributes
    ----------
    first : str
        What the rows are.
    heads : sequence of str
        What stands over each of a plan's cells; a leading ``>`` marks figures.
    columns : mapping
        By what stands over the cells of a plan: its cells by what stands before their row.
    """

    first: str
    heads: Sequence[str]
    columns: Mapping[str, Mapping[str, Sequence[str]]]

    @property
    def rows(self) -> dict[str, tuple[Sequence[str] | None, ...]]:
        """The cells of every plan by row; None for a row that it has not."""
        return side_by_side(self.columns.values())


_say = worded("""
bands: >Error = {error_db:+.1f} | >Left = {remaining_db:+.1f} | >S.d. = {spread_db:.1f} |
    Why = {why}
seats: >Weight = {share} | >Before = {before_db:.1f} | >Predicted = {after_db:.1f}{worse:| worse|} |
    >Without it = {left_out_after_db:.1f}
headroom: >dB SPL = {reached_db:.1f} | >V = {voltage:.1f} | >W = {power_w:.0f} |
    >mm = {displacement_mm:.1f} | >To spare dB = {left_db:+.1f} |
    What runs out = {what}{first:|, first of all|}
reached: Headroom {below:|{quieter_db:.1f} dB below|at} the wanted level, at {main_seat}; sines,
    volts r.m.s., mm one way
""")


def tables(plans: Mapping[str, Plan]) -> list[Table]:
    """Return bands, seats and what backs the plans side by side; of one alone its headroom too."""
    several = len(plans) > 1
    joins = any(plan.joining is not None for plan in plans.values())
    shown = slice(None if left_out(plans.values()) else -1)
    bands, seats, told = {}, {}, {}
    for name, plan in plans.items():
        alone, both = (", subwoofer alone", ", with the mains") if plan.joining else ("", "")
        own = () if plan.subwoofers else plan.bands
        whys = [{"error_db": plan.error_db(one), "why": reason_text(one, plan)} for one in own]
        of_bands, *rows = _say.table("bands", own, whys)
        labels = [f"{band.label}{_HERTZ}" for band in own]
        bands[f"{name}{alone}, dB"] = dict(zip(labels, rows, strict=True))
        shares = [
            {
                "share": f"{100 * seat.weight:.0f}\N{NO-BREAK SPACE}%",
                "worse": round(seat.after_db, 1) > round(seat.before_db, 1),  # as printed
            }
            for seat in plan.judged_seats
        ]
        of_seats, *rows = (row[shown] for row in _say.table("seats", plan.judged_seats, shares))
        names = [seat.seat for seat in plan.judged_seats]
        seats[f"{name}{both}, dB"] = dict(zip(names, rows, strict=True))
        found = sentences(plan, joins=joins, brief=several)
        told[name] = {title: ["\n".join(texts)] for title, texts in found.items()}
    laid = [
        Table(first=">Band", heads=of_bands, columns=bands),
        Table(first="Deviation at each seat", heads=of_seats, columns=seats),
        Table(first="How good it is", heads=[""], columns=told),
    ]
    for plan in () if several else plans.values():
        each = plan.subwoofers or {"": plan}
        laid += [_headroom(name, one.headroom) for name, one in each.items() if one.headroom]
    return [table for table in laid if table.rows]


def _headroom(name: str, record: HeadroomRecord) -> Table:
    said = _say("reached", record, below=record.quieter_db >= 0.05)
    limits = [
        {
            "what": LIMITS[band.limit] if band.limit else "not known",
            "first": band.label == record.first,
        }
        for band in record.bands
    ]
    heads, *rows = _say.table("headroom", record.bands, limits)
    labels = [f"{band.label}{_HERTZ}" for band in record.bands]
    columns = {": ".join(filter(None, (name, said))): dict(zip(labels, rows, strict=True))}
    return Table(first=">Band", heads=heads, columns=columns)


def bands_by_remedy(plan: Plan) -> dict[str, str]:
    """Return the bands that filters cannot mend, by why that is and what would mend them."""
    stated = plan.present is not None and plan.present.path is not None
    unsure: dict[str, bool] = {
        Reason.BELOW_LIMIT: not plan.target.limit_known,
        Reason.CANCELLATION: not (stated or plan.target.path or plan.target.corner),
    }
    found: dict[str, str] = {}
    for code, words in _REMEDIES.items():
        reason = code.removeprefix("unsure_")
        bands = [band.label for band in plan.bands if band.reason == reason]
        if bands and unsure.get(reason, False) == (reason != code):
            found[words] = f"{joined(bands)} Hz"
    return found


def remedies(plans: Mapping[str, Plan]) -> list[str]:
    """Return what filters cannot mend in any of the plans, why, and what would."""
    causes = side_by_side(bands_by_remedy(plan) for plan in plans.values())
    told = []
    for cause, row in causes.items():
        where = {name: [bands] if bands else [] for name, bands in zip(plans, row, strict=True)}
        told.append(f"{', '.join(shared(where))}: {cause}")
    return [*told, _STAYS]


def judged_text(plan: Plan) -> str:
    """Name what is judged."""
    if plan.together is not None:
        return "Deviation of each seat by itself, mean over the seats:"
    if plan.joining is None:
        return "Weighted deviation from the target:"
    if plan.joining.bands is None:
        return "What the sum loses around the crossover:"
    return "Weighted deviation from the target, with the mains:"


def sentences(plan: Plan, *, joins: bool, brief: bool = False) -> dict[str, list[str]]:
    """Return what backs a plan in sentences, by what they speak of.

    Parameters
    ----------
    plan : Plan
    joins : bool
        Whether this plan, or one beside it, joins the mains.
    brief : bool
        Whether to leave out what backs the joining, and to tell of the headroom in one sentence.
    """
    together, joining = plan.together, plan.joining
    found: dict[str, list[str]] = {}
    if together is not None:
        found["The subwoofers together"] = [together_verdict(together), *together_sentences(plan)]
    if joining is not None and not brief:
        title = f"Subwoofer{'' if together is None else 's'} and mains together"
        found[title] = [joining_verdict(joining), *joining_sentences(joining)]
    if together is None:
        alone = ", subwoofer alone" if joins else ""
        found[f"How near the best{alone}"] = [proof_sentence(plan)]
        found[f"How even{alone}"] = [average_sentence(plan)]
        found["Boost and drive"] = boost_sentences(plan)
        found[f"Another Q{alone if joining is None else ', with the mains'}"] = q_sentences(plan)
    if plan.headroom is not None and brief:
        lines = headroom_lines(plan.headroom, detail=False)
        found["At the wanted level"] = [str(line).strip() for line in lines]
    return {title: texts for title, texts in found.items() if texts}


def cautions(plans: Mapping[str, Plan]) -> tuple[list[str], list[str]]:
    """Return the cautions of all plans, reservations apart and first.

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
    return shared(weighty), shared(plain)


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


def record(plans: Mapping[str, Plan]) -> list[str]:
    """Return when, by whom, with what and how it was measured; "not stated" where it is not."""
    told = [key for plan in plans.values() for key in plan.record]
    titles = {key: _RECORD.get(key, key) for key in (*_RECORD, *told)}
    levels = {"spl": "dB SPL", "relative": "relative levels"}
    played = {}
    for name, p in plans.items():
        what = SOURCES["joined" if p.joining else p.source]
        what = what.replace("the subwoofer", "each subwoofer") if p.subwoofers else what
        played[name] = [f"{what}, {levels[p.level_reference]}"]
    rows = {
        title: shared({name: [plan.record.get(key, "not stated")] for name, plan in plans.items()})
        for key, title in titles.items()
    } | {"What played": shared(played)}
    return [f"{title}: {'; '.join(texts)}" for title, texts in rows.items()]


def inputs(plans: Mapping[str, Plan]) -> tuple[tuple[str, str, str, str], ...]:
    """Return the files that the plans were made from: name, role, SHA-256 digest, plans."""
    files = {name: [(e.file, e.role, e.sha256) for e in p.inputs] for name, p in plans.items()}
    return tuple((*key, names) for key, names in owners(files).items())


def left_out(plans: Iterable[Plan]) -> bool:
    """Return whether any seat was judged by settings that were chosen without it."""
    rows = (row for plan in plans for row in plan.judged_seats)
    return any(row.left_out_after_db is not None for row in rows)
