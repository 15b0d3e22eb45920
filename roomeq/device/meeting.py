"""Where subwoofer and mains meet, by their stated filters alone.

Conventions
-----------
Frequencies in Hz, levels in dB relative to either pass-band, subwoofer and mains at equal level
there. The loss of a sum says nothing of a hole that neither fills, nor of a crossover that lies
elsewhere than it was stated: that is read off the filters.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

import numpy as np

from roomeq.base.bands import logarithmic_axis
from roomeq.base.record import Record
from roomeq.device.crossover import CrossoverFilter, chain_response

GAP_DB = -4.0
"""Both in phase stay this far below either where they meet: a gap; common practice, no source."""

ELSEWHERE_OCTAVES = 0.5
FULL_RANGE_OCTAVES = 1.0
BOX_OCTAVES = 1.0 / 3.0
"""A box whose corner lies further below the crossover is no part of it; common practice, no source.
"""
_REACH = 4.0
_PER_OCTAVE = 192


class MeetingFault(StrEnum):
    """What is wrong with where the two meet."""

    ELSEWHERE = "elsewhere"
    FULL_RANGE = "full_range"
    GAP = "gap"


class Meeting(Record, frozen=True, kw_only=True):
    """Where the two are equally loud by their filters.

    Attributes
    ----------
    frequency : float or None
        Hz; None where the mains are as loud as the subwoofer all the way down.
    sum_db : float
        Level of both in phase there, 0 where they fill it.
    faults : tuple of MeetingFault
    """

    frequency: float | None
    sum_db: float
    faults: tuple[MeetingFault, ...]


def find_meeting(
    path: Sequence[CrossoverFilter], mains: Sequence[CrossoverFilter], *, corner: float
) -> Meeting:
    """Find where subwoofer and mains meet.

    Parameters
    ----------
    path, mains : sequence of CrossoverFilter
        Filters of both; the mains' with their box, as far as it is known. High-passes of the
        subwoofer are no part of the crossover.
    corner : float
        As it was stated, in Hz.

    Returns
    -------
    Meeting
    """
    axis = logarithmic_axis(corner / _REACH, corner * _REACH, per_octave=_PER_OCTAVE)
    low = np.abs(chain_response(tuple(f for f in path if f.kind == "low_pass"), axis))
    high = np.abs(chain_response(tuple(mains), axis))
    above = np.flatnonzero(high >= low)
    if not above.size or above[0] == 0:
        return Meeting(frequency=None, sum_db=0.0, faults=(MeetingFault.FULL_RANGE,))
    place = int(above[0])
    frequency = float(axis[place])
    sum_db = float(20.0 * np.log10(low[place] + high[place]))
    faults = []
    if abs(np.log2(frequency / corner)) > ELSEWHERE_OCTAVES:
        faults.append(MeetingFault.ELSEWHERE)
    if sum_db < GAP_DB:
        faults.append(MeetingFault.GAP)
    reach = {True: BOX_OCTAVES, False: FULL_RANGE_OCTAVES}
    if not any(one.corner >= corner / 2.0 ** reach[one.where == "box"] for one in mains):
        faults.append(MeetingFault.FULL_RANGE)
    return Meeting(frequency=frequency, sum_db=sum_db, faults=tuple(faults))
