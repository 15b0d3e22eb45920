"""What `join` prints: settings first, then the path, other pairs, and doubts.

Conventions
-----------
Numbers come from `roomeq.jobs.join`; nothing is computed here.
"""

from __future__ import annotations

from roomeq.jobs.join import RoomJoining
from roomeq.report.text.corners import corner_text
from roomeq.report.text.joining import bands_lines, joining_text
from roomeq.report.text.layout import bullet_list, paragraph
from roomeq.report.text.level_joining import level_joining_text
from roomeq.report.text.path import path_estimate_lines, path_lines
from roomeq.report.text.wording import SAFETY

__all__ = ["room_joining_text"]

_BYPASS_FIRST = (
    "All this holds with every low-pass engaged as it was. Levels cannot tell what the sum becomes "
    "once one is bypassed as advised below: bypass it first, and measure all four again."
)


def room_joining_text(joining: RoomJoining) -> str:
    """Return all that joining found in a room as text."""
    parts = [f"{joining.room}\n"]
    if joining.record is not None:
        parts.append(joining_text(joining.record))
    if joining.with_bands is not None:
        parts.append("\n".join(bands_lines(joining.with_bands)) + "\n")
    if joining.levels is not None:
        parts.append(level_joining_text(joining.levels))
        if joining.path is not None and joining.path.recommended is not None:
            parts.append("\n".join(paragraph(_BYPASS_FIRST)) + "\n")
    if joining.path is not None:
        parts.append("\n".join(path_lines(joining.path)) + "\n")
    if joining.estimate is not None:
        lines = path_estimate_lines(joining.estimate, described=joining.path)
        parts.append("\n".join(lines) + "\n")
    if joining.corners is not None:
        parts.append(corner_text(joining.corners))
    elif joining.record is not None:
        parts.append(f"Other corners and slopes were not tried: {joining.corners_missing}.\n")
    parts.append("\n".join(["Safety", *bullet_list(SAFETY)]) + "\n")
    return "\n".join(parts)
