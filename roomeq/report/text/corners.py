"""Ranked pairs of low-pass and high-pass as plain text.

Conventions
-----------
Numbers come from `roomeq.optimiser.joining.corner_choice`; nothing is computed here.
"""

from __future__ import annotations

from roomeq.optimiser.joining.corner_choice import (
    CornerChoice,
    CrossoverPair,
    PairDoubt,
    RankedPair,
)
from roomeq.report.text.joining import delay_text
from roomeq.report.text.layout import bullet_list, paragraph, table

__all__ = ["corner_text", "pair_doubt_text"]

_SHOWN_PAIRS = 8


def pair_doubt_text(doubt: PairDoubt) -> str:
    """Return what speaks against a pair."""
    words = {
        PairDoubt.CORNER_TOO_LOW: "less than half an octave above the mains' -3 dB point",
        PairDoubt.FULL_RANGE: "one of the two would run full range",
        PairDoubt.NOT_PREDICTABLE: "too far from what was measured to be predicted",
        PairDoubt.SLOPES_DIFFER: "slopes differ",
        PairDoubt.VENTED_WITHOUT_HIGH_PASS: "vented mains without a high-pass near tuning",
    }
    return words[doubt]


def corner_text(choice: CornerChoice) -> str:
    """Return ranked pairs of low-pass and high-pass as text."""
    lines = ["Corner and slopes", "", *paragraph(_verdict(choice))]
    shown = list(choice.ranked[:_SHOWN_PAIRS])
    if choice.present not in shown:
        shown.append(choice.present)
    rows = [_pair_row(entry, is_present=entry is choice.present) for entry in shown]
    titles = [">Dev. dB", ">Loss dB", "Subwoofer", "Mains", ">Acoustic order", "Remarks"]
    title = "Ranked by what is left after delay, level and bands with each"
    lines += ["", title, *table(titles, rows)]
    if choice.refused:
        lines += ["", "On offer, but not ranked", *bullet_list(_refused(choice))]
    return "\n".join(lines) + "\n"


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
        found.setdefault(pair_doubt_text(doubt), []).append(name)
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
    settings = best.outcome.settings
    return (
        f"To be preferred: subwoofer {low}; mains {high}. It leaves {best.deviation_db:.1f} dB of "
        f"deviation instead of {now.deviation_db:.1f} dB, with {delay_text(settings)}, polarity "
        f"{settings.polarity}. Set it, then measure again."
    )


def _pair_words(pair: CrossoverPair) -> tuple[str, str]:
    return str(pair.low_pass or "without a low-pass"), str(pair.high_pass or "without a high-pass")


def _pair_row(entry: RankedPair, *, is_present: bool) -> list[str]:
    remarks = ["present"] if is_present else []
    remarks += [pair_doubt_text(doubt) for doubt in entry.doubts]
    order = entry.acoustic_order
    return [
        f"{entry.deviation_db:.2f}",
        f"{entry.outcome.loss_db:.2f}",
        *_short_words(entry.pair),
        "" if order is None else str(order),
        ", ".join(remarks),
    ]
