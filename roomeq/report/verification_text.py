"""A verification as plain text.

Conventions
-----------
Numbers come from `roomeq.verification`; nothing is computed here.
"""

from __future__ import annotations

from roomeq.report.layout import bullet_list, paragraph, signed, table
from roomeq.verification import Verification

__all__ = ["verification_text"]


def verification_text(found: Verification) -> str:
    """Return what agrees, what does not, and what was probably set wrongly."""
    close = f"within {found.tolerance_db:.1f} dB in every band, averaged over the seats"
    verdict = f"It came true, {close}." if found.agrees else f"It did not come true: not {close}."
    lines = [f"{found.room}: measured again", "", *paragraph(verdict), ""]
    rows = [
        [f"{row.label} Hz", signed(row.difference_db), "agrees" if row.agrees else "differs"]
        for row in found.bands
    ]
    titles = [">Band", ">Measured less predicted dB", "Verdict"]
    lines += ["Bands, mean over the seats", *table(titles, rows), ""]
    rows = [
        [row.seat, f"{row.difference_db:.1f}", "agrees" if row.agrees else "differs"]
        for row in found.seats
    ]
    titles = ["Seat", ">Difference dB (r.m.s.)", "Verdict"]
    lines += ["Seats", *table(titles, rows), ""]
    lines += paragraph(
        f"All seats are {signed(found.offset_db)} dB from the predicted level; that was removed "
        "first. If drive level and microphone gain were the same, the level knob is off by it."
    )
    if found.suspects:
        lines += ["", "Look at these settings first"]
        lines += bullet_list(
            [
                f"{row.label} Hz: planned {signed(row.planned_db)} dB, looks like "
                f"{signed(row.looks_like_db)} dB"
                for row in found.suspects
            ]
        )
    elif not found.agrees:
        lines += [
            "",
            *paragraph(
                "No single band explains it: check that nothing else was changed (low-pass, "
                "polarity, phase, position of the subwoofer or the microphone)."
            ),
        ]
    if found.not_measured_again:
        lines += ["", *paragraph(f"Not measured again: {', '.join(found.not_measured_again)}.")]
    return "\n".join(lines) + "\n"
