"""What `join` prints: settings or a question, then the path, other corners and slopes, safety.

Conventions
-----------
Numbers come from `roomeq.jobs.join`, the records of a plan, and
`roomeq.optimiser.joining.corner_choice`; nothing is computed here.
"""

from __future__ import annotations

from dataclasses import replace

from roomeq.jobs.join import RoomJoining
from roomeq.optimiser.joining.corner_choice import CornerChoice, CrossoverPair, RankedPair
from roomeq.plan.joining import LevelJoiningRecord
from roomeq.plan.records import PresentRecord, is_stated
from roomeq.report.text.joining import (
    delay_instruction,
    delay_text,
    joining_parts,
    joining_verdict,
    loss_text,
    reference_lines,
    setting_entries,
)
from roomeq.report.text.layout import Part, bullets, listed, text_of, worded
from roomeq.report.text.path import path_part
from roomeq.report.text.safety import SAFETY_LINE

_say = worded("""
bypass_first: All this holds with every low-pass engaged as it was. Levels cannot tell what the sum
    becomes once one is bypassed as advised below: bypass it first, and measure all four again.
reversed: With one polarity reversed, all else as it is, it would lose {reversed_loss_db:.1f} dB, as
    measured.{decided:| That the subwoofer is {decided} was decided, in the room file.|}
late_or_early: Is the subwoofer late or early? Levels give the size of the phase difference, not its
    sign: one that is late and one that is as early look the same. Only one answer is right, and
    trying the wrong one is worse than leaving everything as it is. Decide it first:
no_delay: No delay can be set: measure subwoofer and mains against one time reference.
again: Measure both together again at the same seats, nothing else changed.
level: Level between {lowest:.0f} and {highest:.0f} Hz, against what it was: about {late_db:+.1f} dB
    if the subwoofer is late, {early_db:+.1f} dB if it is early.
write: Write what it was into the room file (subwoofer = "late" or "early" under [timing]), put the
    delay back, and run this again.
answer: If it is {word}: {delay}, polarity {polarity}, the sum would lose {loss_db:.1f} dB
pairs: >Deviation dB = {deviation_db:.2f} | >Loss dB = {loss_db:.2f} | Subwoofer = {low} |
    Mains = {high} | >Acoustic order = {acoustic_order} | Remarks = {remarks}
keep: Keep the present pair: no other on offer whose slopes meet as well leaves 0.5 dB less after
    delay, level and bands.
preferred: To be preferred: subwoofer {low}; mains {high}. It leaves {best.deviation_db:.1f} dB of
    deviation instead of {present.deviation_db:.1f} dB, with {delay}, polarity {polarity}. Set it,
    then measure again.
""")


def room_joining_text(joining: RoomJoining, *, detail: bool = False) -> str:
    """Return what joining found in a room as text; with `detail` what the filters do as well."""
    record, path = joining.record, joining.path
    parts: list[Part] = [f"{joining.room}: joining subwoofer and mains"]
    if record is not None:
        parts += joining_parts(record, joining.present, with_bands=joining.with_bands)
    if joining.levels is not None:
        parts.append(level_joining_lines(joining.levels, joining.present))
        if path is not None and path.recommended is not None:
            parts.append(_say("bypass_first"))
    bypassed = record is not None and bool(record.bypass)
    of_path = path_part(path, joining.estimate, detail=detail, bypassed=bypassed)
    parts.append(["The path of the subwoofer", *of_path] if of_path else [])
    if joining.corners is not None:
        parts.append(corner_lines(joining.corners))
    elif record is not None:
        parts.append(f"Other corners and slopes were not tried: {joining.corners_missing}.")
    last = [SAFETY_LINE]
    if joining.settled is not None:
        moved = setting_entries(joining.settled, joining.present, changes=True)
        last = [f"To set: {'; '.join(moved)}.", SAFETY_LINE]
    return text_of(*parts, last)


def level_joining_lines(
    joining: LevelJoiningRecord, stated: PresentRecord | None = None
) -> list[str]:
    """Return what four levels tell, and what they cannot."""
    late, answer = joining.if_late, joining.answer
    loses = loss_text(late.corner, late.loss_before_db)
    loses = loses if answer is None else joining_verdict(answer)
    found = _question(joining, stated)
    if answer is not None:
        found = listed("Settings", setting_entries(answer, stated))
    text = f"{loses} {_say('reversed', joining)}"
    return ["Joining from levels alone", text, "", *found, *reference_lines(stated)]


def _question(joining: LevelJoiningRecord, stated: PresentRecord | None) -> list[str]:
    """Return both answers and what decides between them."""
    steps, late = [_say("no_delay")], joining.if_late
    if joining.move_delay_ms is not None:
        present = late.present.settings()
        moved, known = 1e-3 * joining.move_delay_ms, is_stated(stated, "delay_ms")
        once = delay_instruction(replace(present, delay=moved), present=present, stated=known)
        moves = {"late_db": joining.move_if_late_db, "early_db": joining.move_if_early_db}
        level = _say("level", late, **moves)
        steps = [f"For this one measurement {once}.", _say("again"), level, _say("write")]
    answers = []
    for word, record in (("late", late), ("early", joining.if_early)):
        settings = record.settings.settings()
        told = {"word": word, "delay": delay_text(settings), "polarity": settings.polarity}
        answers.append(_say("answer", record, **told))
    return [
        _say("late_or_early"),
        *bullets(steps),
        "",
        *listed("What would be set then", answers),
    ]


_SHOWN_PAIRS = 8
PAIR_DOUBTS = worded("""
corner_too_low: less than half an octave above the mains' -3 dB point
full_range: one of the two would run full range
not_predictable: too far from what was measured to be predicted
slopes_differ: slopes differ
vented_without_high_pass: vented mains without a high-pass near tuning
""")
"""What speaks against a pair of low-pass and high-pass."""


def corner_lines(choice: CornerChoice) -> Part:
    """Return ranked pairs of low-pass and high-pass."""
    shown = list(choice.ranked[:_SHOWN_PAIRS])
    if choice.present not in shown:
        shown.append(choice.present)
    return [
        "Corner and slopes",
        f"  {_verdict(choice)}",
        *_say.table("pairs", shown, [_of_pair(entry, choice.present) for entry in shown]),
        *listed("  On offer, but not ranked:", _refused(choice)),
    ]


def _refused(choice: CornerChoice) -> list[str]:
    """Name refused pairs by what speaks against them: a corner where all of it are, else each."""
    whys: dict[float, set[str | None]] = {}
    tried = [*choice.refused, *((entry.pair, None) for entry in choice.ranked)]
    for pair, doubt in tried:
        whys.setdefault(pair.corner, set()).add(doubt)
    found: dict[str, dict[str, None]] = {}
    for pair, doubt in choice.refused:
        name = f"every pair at {pair.corner:g} Hz"
        if len(whys[pair.corner]) > 1:
            name = ", ".join(_pair_words(pair))
        found.setdefault(doubt, {})[name] = None
    return [f"{'; '.join(names)}: {PAIR_DOUBTS[doubt]}" for doubt, names in found.items()]


def _pair_words(pair: CrossoverPair) -> tuple[str, str]:
    low, high = pair.low_pass or "without a low-pass", pair.high_pass or "without a high-pass"
    return str(low).removeprefix("low-pass "), str(high).removeprefix("high-pass ")


def _verdict(choice: CornerChoice) -> str:
    best = choice.preferred
    if best is None:
        return _say("keep")
    (low, high), settings = _pair_words(best.pair), best.settings
    told = {"low": low, "high": high, "delay": delay_text(settings)}
    return _say("preferred", choice, best=best, polarity=settings.polarity, **told)


def _of_pair(entry: RankedPair, present: RankedPair) -> dict[str, str]:
    remarks = ["present"] if entry is present else []
    remarks += [PAIR_DOUBTS[doubt] for doubt in entry.doubts]
    low, high = _pair_words(entry.pair)
    return {"low": low, "high": high, "remarks": ", ".join(remarks)}
