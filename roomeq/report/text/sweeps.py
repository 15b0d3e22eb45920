"""What a person must know before playing a sweep.

Conventions
-----------
Levels in dBFS or dBA as said, times in s, frequencies in Hz.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from roomeq.analysis.sweeps.sweep import SWEEP_CAUTIONS, exposure_minutes
from roomeq.base.recording import CHAIN_QUESTIONS, SweepDescription
from roomeq.report.text.layout import Part, counted, listed, text_of, worded

_EXPOSURES_DBA = (85.0, 88.0, 91.0, 94.0, 97.0, 100.0)


_say = worded("""
sweeps: {played} of {duration:.2f} s from {start:g} to {stop:g} Hz at {level_dbfs:g} dBFS, after
    {lead_in:g} s of quiet noise and {pause:g} s of silence; {total:.1f} s in all. Record from
    before the noise to after the last tail, in one go, with nothing in the recorder that changes
    gain.
tail: Go on recording for {tail:g} s after the last sweep has ended. Stopped with the sweep, a
    recording lacks the decay of a room that takes 1 s above {half:.0f} Hz, and levels there are
    wrong; stopped 1 s before its end, all above {whole:.0f} Hz.
unanswered: Not answered, so not recorded: {named}. What changes level or response between player
    and loudspeaker must be off, or known.
""")


def sweep_text(sweep: SweepDescription, *, files: Sequence[str]) -> str:
    """Return what was written, the cautions, and what was not answered."""
    half, whole = (sweep.stop * math.exp(-early / sweep.growth) for early in (0.5, 1.0))
    rows = [[f"{level:.0f}", _duration(exposure_minutes(level))] for level in _EXPOSURES_DBA]
    tail = max(sweep.tail, 4.0)
    parts: list[Part] = [
        _say("sweeps", sweep, played=counted(sweep.repeats, "sweep")),
        _say("tail", tail=tail, half=half, whole=whole),
        listed("Before you play it", SWEEP_CAUTIONS),
        ["Longest exposure a day (NIOSH)", [">dBA", ">Time"], *rows],
    ]
    if sweep.conditions.unanswered:
        named = ", ".join(CHAIN_QUESTIONS[name] for name in sweep.conditions.unanswered)
        parts.append(_say("unanswered", named=named))
    return f"Written: {' and '.join(files)}\n\n{text_of(*parts)}"


def _duration(minutes: float) -> str:
    return f"{minutes / 60:g} h" if minutes >= 120 else f"{minutes:g} min"
