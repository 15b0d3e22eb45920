"""Page 2 of the settings sheet: what the settings should do, what they cannot, and how one knows.

Conventions
-----------
Numbers come from the plan; nothing is computed here. What is equal in several plans is said once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from roomeq.optimiser.bands.reasons import Reason
from roomeq.plan.plan import BandSetting, Plan
from roomeq.report.sheet.picture import Picture, sheet_picture
from roomeq.report.sheet.steps import joined, with_minus
from roomeq.report.text.joining import joining_sentences, joining_verdict, meeting_sentences
from roomeq.report.text.layout import signed
from roomeq.report.text.plan import FIRST_STATEMENT, evidence_sentences
from roomeq.report.text.wording import caution_text, reason_text

__all__ = [
    "BandEvidence",
    "PlanEvidence",
    "Remedy",
    "SharedText",
    "bands_by_remedy",
    "cautions",
    "inputs",
    "plan_evidence",
    "record",
    "share",
    "shared_texts",
]

_RECORD = (
    ("date", "When"),
    ("by", "By"),
    ("instrument", "With"),
    ("conditions", "Conditions"),
    ("drive_level", "Drive level"),
)
_SOURCES = {"sub": "the subwoofer alone", "mains": "the mains", "both": "subwoofer and mains"}
_JOINED_SOURCES = "the subwoofer alone and the mains alone"
_REMEDIES = {
    Reason.SEATS_DISAGREE: (
        "The seats differ more than they share, and one equaliser changes all of them alike.",
        "Moving the subwoofer or a seat, a second subwoofer, damping.",
    ),
    Reason.CANCELLATION: (
        "Sound cancels there; a boost is cancelled too.",
        "Moving the subwoofer or the seat, a second subwoofer elsewhere.",
    ),
    Reason.HELD_BY_DRIVE_BOOST: (
        "More gain would drive the subwoofer past the limit set for it.",
        "A subwoofer that can do more, or a second one.",
    ),
    Reason.HELD_BY_FILTER_BOOST: (
        "More gain would pass the limit set for the summed boost.",
        "Moving the subwoofer, or a second one; a higher limit only if there is headroom.",
    ),
    Reason.HELD_BY_RANGE: (
        "The band is at the end of its range.",
        "Moving the subwoofer or the seats, damping.",
    ),
    Reason.BELOW_LIMIT: (
        "It lies below what the subwoofer can do.",
        "A subwoofer that reaches lower.",
    ),
    Reason.ROLL_OFF: (
        "It is the subwoofer's own roll-off, which no boost should fight.",
        "A subwoofer that reaches lower.",
    ),
    Reason.NOISE: (
        "Noise hides it.",
        "Measuring again in a quieter room, with a longer sweep.",
    ),
    Reason.NOT_MEASURED: (
        "It was not measured.",
        "Measuring over the whole range of the bands.",
    ),
}
_LIMIT_NOT_KNOWN = (
    "Whether the subwoofer can do more there is not known.",
    "Stating its lower limit, or a subwoofer that reaches lower.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BandEvidence:
    """One band in figures, as text; a dash where the band was not fitted."""

    label: str
    error: str
    remaining: str
    spread: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatEvidence:
    """One seat in figures, as text."""

    seat: str
    weight: str
    before: str
    after: str
    left_out: str
    worse: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """Bands that filters cannot mend: what is left, why, and what would mend it."""

    bands: str
    why: str
    would: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanEvidence:
    """What backs one plan."""

    before: str
    after: str
    changed: bool
    joined: bool
    picture: Picture | None
    bands: tuple[BandEvidence, ...]
    seats: tuple[SeatEvidence, ...]
    remedies: tuple[Remedy, ...]
    sentences: tuple[str, ...]

    @property
    def left_out(self) -> bool:
        """Whether any seat was judged with gains chosen without it."""
        return any(seat.left_out for seat in self.seats)


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedText:
    """A text and the names of the plans that it belongs to; no names where it is all of them."""

    text: str
    names: str = ""
    weighty: bool = False


def _figure(value: float | None) -> str:
    return with_minus(signed(value)) or "\N{EN DASH}"


def _band(band: BandSetting, plan: Plan) -> BandEvidence:
    return BandEvidence(
        label=f"{band.label}\N{NO-BREAK SPACE}Hz",
        error=_figure(band.error_db),
        remaining=_figure(band.remaining_db),
        spread=_figure(band.spread_db).lstrip("+"),
        why=with_minus(reason_text(band, plan)),
    )


def bands_by_remedy(plan: Plan) -> dict[tuple[str, str], list[BandSetting]]:
    """Return the bands that filters cannot mend, by why that is and what would mend them."""
    remedies = dict(_REMEDIES)
    if not plan.target.limit_known:
        remedies[Reason.BELOW_LIMIT] = _LIMIT_NOT_KNOWN
    found = {
        words: [band for band in plan.bands if band.reason is reason]
        for reason, words in remedies.items()
    }
    return {words: bands for words, bands in found.items() if bands}


def _remedies(plan: Plan) -> tuple[Remedy, ...]:
    found = []
    for (why, would), bands in bands_by_remedy(plan).items():
        labels = [
            f"{band.label} Hz"
            + ("" if band.remaining_db is None else f" ({_figure(band.remaining_db)} dB)")
            for band in bands
        ]
        found.append(Remedy(bands=joined(labels), why=why, would=would))
    return tuple(found)


def plan_evidence(plan: Plan) -> PlanEvidence:
    """Return what backs a plan: deviations, picture, bands, seats, what is left, proof."""
    joining = plan.joining
    deviations = (plan.deviation_before_db, plan.deviation_after_db)
    if joining is not None:
        deviations = joining.judged
    return PlanEvidence(
        before=f"{deviations[0]:.1f}",
        after=f"{deviations[1]:.1f}",
        changed=plan.no_change is None,
        joined=joining is not None,
        picture=sheet_picture(plan),
        bands=tuple(_band(band, plan) for band in plan.bands),
        seats=_seats(plan),
        remedies=_remedies(plan),
        sentences=tuple(with_minus(text) for text in _sentences(plan)),
    )


def _seats(plan: Plan) -> tuple[SeatEvidence, ...]:
    """Return the seats in figures: by the sum with the mains where it is joined."""
    return tuple(
        SeatEvidence(
            seat=row.seat,
            weight=f"{100 * row.weight:.0f}\N{NO-BREAK SPACE}%",
            before=f"{row.before_db:.1f}",
            after=f"{row.after_db:.1f}",
            left_out="" if row.left_out_after_db is None else f"{row.left_out_after_db:.1f}",
            worse=round(row.after_db, 1) > round(row.before_db, 1),
        )
        for row in (plan.joining.seat_rows if plan.joining else plan.seats)
    )


def _sentences(plan: Plan) -> list[str]:
    if plan.joining is None:
        return evidence_sentences(plan)
    return [joining_verdict(plan.joining), *joining_sentences(plan.joining)[:2]] + [
        f"The subwoofer alone: {sentence[0].lower()}{sentence[1:]}" if not index else sentence
        for index, sentence in enumerate(evidence_sentences(plan))
    ]


def share(texts: Mapping[str, list[str]]) -> tuple[SharedText, ...]:
    """Return every text once, in order, with the plans it belongs to."""
    everything = list(dict.fromkeys(text for found in texts.values() for text in found))
    shared = []
    for text in everything:
        owners = [name for name, found in texts.items() if text in found]
        names = "" if len(owners) == len(texts) else joined(owners)
        shared.append(SharedText(text=text, names=names))
    return tuple(shared)


def cautions(plans: Mapping[str, Plan]) -> tuple[SharedText, ...]:
    """Return the cautions of all plans, reservations first and marked as weighty."""
    weighty = {name: [caution_text(c) for c in plan.reservations] for name, plan in plans.items()}
    plain = {
        name: [caution_text(c) for c in plan.cautions if c not in plan.reservations]
        for name, plan in plans.items()
    }
    for name, plan in plans.items():
        if plan.joining is not None:
            weighty[name] += meeting_sentences(plan.joining.meeting)
        if plan.statement == 1:
            weighty[name].insert(0, FIRST_STATEMENT)
    return (*(replace(entry, weighty=True) for entry in share(weighty)), *share(plain))


def _merged_notes(plan: Plan) -> list[str]:
    """Return notes that differ only in the file before the first colon as one.

    Where they speak of all measurements, of three at least, the files are not listed again.
    """
    measured = {entry.file for entry in plan.inputs if entry.role == "measurement"}
    files: dict[str, list[str]] = {}
    for note in plan.notes:
        file, colon, text = note.partition(": ")
        if not colon:
            file, text = "", note
        files.setdefault(text, []).append(file)
    merged = []
    for text, names in files.items():
        once = list(dict.fromkeys(names))
        everyone = len(measured) >= 3 and set(once) == measured
        who = "every measurement" if everyone else joined(once)
        merged.append(f"{who}: {text}" if any(names) else text)
    return merged


def shared_texts(plans: Mapping[str, Plan]) -> tuple[tuple[SharedText, ...], ...]:
    """Return the assumptions, and what the readers of the files did."""
    assumptions = {name: list(plan.assumptions) for name, plan in plans.items()}
    notes = {name: _merged_notes(plan) for name, plan in plans.items()}
    return (share(assumptions), share(notes))


def record(plans: Mapping[str, Plan]) -> tuple[tuple[str, tuple[SharedText, ...]], ...]:
    """Return when, by whom, with what and how it was measured; "not stated" where it is not."""
    known = {key for key, _ in _RECORD}
    further = list(dict.fromkeys(k for p in plans.values() for k in p.record if k not in known))
    rows = [
        (title, share({name: [p.record.get(key, "not stated")] for name, p in plans.items()}))
        for key, title in (*_RECORD, *((key, key) for key in further))
    ]
    levels = {"spl": "dB SPL", "relative": "relative levels"}
    source = {
        name: [
            f"{_SOURCES[plan.source] if plan.joining is None else _JOINED_SOURCES}, "
            f"{levels[plan.level_reference]}"
        ]
        for name, plan in plans.items()
    }
    return (*rows, ("What played", share(source)))


def inputs(plans: Mapping[str, Plan]) -> tuple[tuple[str, str, str, str], ...]:
    """Return the files that the plans were made from: name, role, SHA-256 digest, plans."""
    owners: dict[tuple[str, str, str], list[str]] = {}
    for name, plan in plans.items():
        for entry in plan.inputs:
            owners.setdefault((entry.file, entry.role, entry.sha256), []).append(name)
    return tuple(
        (*key, "" if len(names) == len(plans) else joined(names)) for key, names in owners.items()
    )
