"""What `join` prints: settings or a question, then the path, other corners and slopes, safety.

Conventions
-----------
Numbers come from `roomeq.jobs.join`, the records of a plan, and
`roomeq.optimiser.joining.corner_choice`; nothing is computed here.
"""

from __future__ import annotations

from dataclasses import replace

from roomeq.base.levels import signed
from roomeq.jobs.join import RoomJoining
from roomeq.optimiser.joining.corner_choice import (
    CornerChoice,
    CrossoverPair,
    PairDoubt,
    RankedPair,
)
from roomeq.plan.joining import LevelJoiningRecord
from roomeq.plan.records import PresentRecord, is_stated
from roomeq.report.text.joining import (
    bands_lines,
    delay_instruction,
    delay_text,
    joining_parts,
    joining_verdict,
    loss_text,
    loud_texts,
    reference_lines,
    set_text,
    setting_entries,
)
from roomeq.report.text.layout import bullets, listed, paragraph, table, text_of
from roomeq.report.text.path import path_parts
from roomeq.report.text.safety import SAFETY_LINE

_BYPASS_FIRST = (
    "All this holds with every low-pass engaged as it was. Levels cannot tell what the sum becomes "
    "once one is bypassed as advised below: bypass it first, and measure all four again."
)


def room_joining_text(joining: RoomJoining, *, detail: bool = False) -> str:
    """Return what joining found in a room as text; with `detail` what the filters do as well."""
    record, with_bands, path = joining.record, joining.with_bands, joining.path
    parts = [
        paragraph(f"{joining.room}: joining subwoofer and mains"),
        *([] if with_bands is None else map(paragraph, loud_texts(with_bands))),
        *([] if record is None else joining_parts(record, joining.present)),
        [] if with_bands is None else bands_lines(with_bands),
    ]
    if joining.levels is not None:
        parts.append(level_joining_lines(joining.levels, joining.present))
        if path is not None and path.recommended is not None:
            parts.append(paragraph(_BYPASS_FIRST))
    bypassed = record is not None and bool(record.bypass)
    of_path, blocks = path_parts(path, joining.estimate, detail=detail, bypassed=bypassed)
    parts += [listed("The path of the subwoofer", of_path), *blocks]
    if joining.corners is not None:
        parts.append(corner_lines(joining.corners))
    elif record is not None:
        said = f"Other corners and slopes were not tried: {joining.corners_missing}."
        parts.append(paragraph(said))
    once_more = (
        [] if joining.settled is None else paragraph(set_text(joining.settled, joining.present))
    )
    return text_of([*parts, [*once_more, *paragraph(SAFETY_LINE)]])


def level_joining_lines(
    joining: LevelJoiningRecord, stated: PresentRecord | None = None
) -> list[str]:
    """Return what four levels tell, and what they cannot."""
    late, answer = joining.if_late, joining.answer
    said = [
        loss_text(late.corner, late.loss_before_db) if answer is None else joining_verdict(answer),
        "With one polarity reversed, all else as it is, it would lose "
        f"{joining.reversed_loss_db:.1f} dB, as measured.",
    ]
    if joining.decided is not None:
        said.append(f"That the subwoofer is {joining.decided} was decided, in the room file.")
    lines = ["Joining from levels alone", *paragraph(" ".join(said)), ""]
    if answer is None:
        lines += _question(joining, stated)
    else:
        lines += ["Settings", *bullets(setting_entries(answer, stated))]
    return [*lines, *reference_lines(stated)]


def _question(joining: LevelJoiningRecord, stated: PresentRecord | None) -> list[str]:
    """Return both answers and what decides between them."""
    lines = paragraph(
        "Is the subwoofer late or early? Levels give the size of the phase difference, not its "
        "sign: one that is late and one that is as early look the same. Only one answer is right, "
        "and trying the wrong one is worse than leaving everything as it is. Decide it first:"
    )
    present = joining.if_late.present.settings()
    if joining.move_delay_ms is None:
        lines += bullets(
            ["No delay can be set: measure subwoofer and mains against one time reference."]
        )
    else:
        moved = replace(present, delay=1e-3 * joining.move_delay_ms)
        known = is_stated(stated, "delay_ms")
        once = delay_instruction(moved, present=present, stated=known)
        late_db, early_db = joining.move_if_late_db or 0.0, joining.move_if_early_db or 0.0
        lines += bullets(
            [
                f"For this one measurement {once}.",
                "Measure both together again at the same seats, nothing else changed.",
                f"Level between {joining.if_late.lowest:.0f} and {joining.if_late.highest:.0f} Hz, "
                f"against what it was: about {signed(late_db)} dB if the subwoofer is late, "
                f"{signed(early_db)} dB if it is early.",
                'Write what it was into the room file (subwoofer = "late" or "early" under '
                "[timing]), put the delay back, and run this again.",
            ]
        )
    lines += ["", "What would be set then"]
    for word, record in (("late", joining.if_late), ("early", joining.if_early)):
        settings = record.settings.settings()
        entry = (
            f"If it is {word}: {delay_text(settings)}, polarity {settings.polarity}, the sum would "
            f"lose {record.loss_db:.1f} dB"
        )
        lines += bullets([entry])
    return lines


_SHOWN_PAIRS = 8
PAIR_DOUBTS = {
    PairDoubt.CORNER_TOO_LOW: "less than half an octave above the mains' -3 dB point",
    PairDoubt.FULL_RANGE: "one of the two would run full range",
    PairDoubt.NOT_PREDICTABLE: "too far from what was measured to be predicted",
    PairDoubt.SLOPES_DIFFER: "slopes differ",
    PairDoubt.VENTED_WITHOUT_HIGH_PASS: "vented mains without a high-pass near tuning",
}
"""What speaks against a pair of low-pass and high-pass."""


def corner_lines(choice: CornerChoice) -> list[str]:
    """Return ranked pairs of low-pass and high-pass."""
    lines = ["Corner and slopes", *paragraph(_verdict(choice), indent=2)]
    shown = list(choice.ranked[:_SHOWN_PAIRS])
    if choice.present not in shown:
        shown.append(choice.present)
    rows = [_pair_row(entry, is_present=entry is choice.present) for entry in shown]
    titles = [">Deviation dB", ">Loss dB", "Subwoofer", "Mains", ">Acoustic order", "Remarks"]
    lines += table(titles, rows)
    if choice.refused:
        lines += ["  On offer, but not ranked:", *bullets(_refused(choice))]
    return lines


def _refused(choice: CornerChoice) -> list[str]:
    """Name refused pairs by what speaks against them: a corner where all of it are, else each."""
    whys: dict[float, set[PairDoubt | None]] = {}
    for pair, doubt in choice.refused:
        whys.setdefault(pair.corner, set()).add(doubt)
    for entry in choice.ranked:
        whys.setdefault(entry.pair.corner, set()).add(None)
    found: dict[str, list[str]] = {}
    for pair, doubt in choice.refused:
        name = ", ".join(_short_words(pair))
        if whys[pair.corner] == {doubt}:
            name = f"every pair at {pair.corner:g} Hz"
        found.setdefault(PAIR_DOUBTS[doubt], []).append(name)
    return [f"{'; '.join(dict.fromkeys(names))}: {why}" for why, names in found.items()]


def _short_words(pair: CrossoverPair) -> tuple[str, ...]:
    return tuple(
        text.removeprefix("low-pass ").removeprefix("high-pass ") for text in _pair_words(pair)
    )


def _verdict(choice: CornerChoice) -> str:
    best, now = choice.preferred, choice.present
    if best is None:
        return (
            "Keep the present pair: no other on offer whose slopes meet as well leaves 0.5 dB less "
            "after delay, level and bands."
        )
    low, high = _pair_words(best.pair)
    settings = best.settings
    return (
        f"To be preferred: subwoofer {low}; mains {high}. It leaves {best.deviation_db:.1f} dB of "
        f"deviation instead of {now.deviation_db:.1f} dB, with {delay_text(settings)}, polarity "
        f"{settings.polarity}. Set it, then measure again."
    )


def _pair_words(pair: CrossoverPair) -> tuple[str, str]:
    return str(pair.low_pass or "without a low-pass"), str(pair.high_pass or "without a high-pass")


def _pair_row(entry: RankedPair, *, is_present: bool) -> list[str]:
    remarks = ["present"] if is_present else []
    remarks += [PAIR_DOUBTS[doubt] for doubt in entry.doubts]
    order = entry.acoustic_order
    return [
        f"{entry.deviation_db:.2f}",
        f"{entry.loss_db:.2f}",
        *_short_words(entry.pair),
        "" if order is None else str(order),
        ", ".join(remarks),
    ]
