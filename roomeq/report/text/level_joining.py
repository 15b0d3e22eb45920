"""What levels alone tell of a joining: a question, and the measurement that decides it.

Conventions
-----------
Numbers come from the records; nothing is computed here.
"""

from __future__ import annotations

from roomeq.plan.joining import JoiningRecord, LevelJoiningRecord
from roomeq.report.text.joining import (
    delay_instruction,
    delay_text,
    joining_verdict,
    reference_text,
    setting_entries,
)
from roomeq.report.text.layout import bullet_list, paragraph, signed
from roomeq.report.text.summation import loss_text

__all__ = ["level_joining_text"]


def level_joining_text(joining: LevelJoiningRecord) -> str:
    """Return what four levels tell, and what they cannot."""
    late = joining.if_late
    lines = ["Joining from levels alone", ""]
    lines += paragraph(
        f"{loss_text(late.corner, late.loss_before_db)} With one polarity reversed, all else as it "
        f"is, it would lose {joining.reversed_loss_db:.1f} dB, as measured."
    )
    answer = joining.answer
    if answer is None:
        lines += ["", *_question(joining)]
    else:
        if joining.decided is not None:
            lines += paragraph(
                f"That the subwoofer is {joining.decided} was decided and is in the room file."
            )
        lines += ["", *paragraph(joining_verdict(answer)), "", "Settings", *_settings(answer)]
    return "\n".join([*lines, "", *paragraph(reference_text())]) + "\n"


def _settings(record: JoiningRecord) -> list[str]:
    entries = setting_entries(record.settings.settings(), present=record.present.settings())
    return bullet_list(entries)


def _question(joining: LevelJoiningRecord) -> list[str]:
    """Return both answers and what decides between them."""
    lines = paragraph(
        "Is the subwoofer late or early? Levels give the size of the phase difference, not its "
        "sign: one that is late and one that is as early look the same. Only one answer is right, "
        "and trying the wrong one is worse than leaving everything as it is. Decide it first:"
    )
    present = joining.if_late.present.settings()
    if joining.move_delay_ms is None:
        lines += bullet_list(
            ["No delay can be set: measure subwoofer and mains against one time reference."]
        )
    else:
        move = joining.if_late.present.settings()
        moved = type(move)(
            delay=1e-3 * joining.move_delay_ms,
            inverted=move.inverted,
            phase_deg=move.phase_deg,
            phase_frequency=move.phase_frequency,
        )
        late_db, early_db = joining.move_if_late_db or 0.0, joining.move_if_early_db or 0.0
        lines += bullet_list(
            [
                f"For this one measurement {delay_instruction(moved, present=present)}.",
                "Measure both together again at the same seats, nothing else changed.",
                f"Level between {joining.if_late.lowest:.0f} and {joining.if_late.highest:.0f} Hz, "
                f"against what it was: about {signed(late_db)} dB if the subwoofer is late, "
                f"{signed(early_db)} dB if it is early.",
                'Write what it was into the room file (subwoofer = "late" or "early" under '
                "[timing]), put the delay back, and run this again.",
            ]
        )
    entries = []
    for word, record in (("late", joining.if_late), ("early", joining.if_early)):
        settings = record.settings.settings()
        entries.append(
            f"If it is {word}: {delay_text(settings)}, polarity {settings.polarity}, the sum would "
            f"lose {record.loss_db:.1f} dB"
        )
    return [*lines, "", "What would be set then", *bullet_list(entries)]
