"""How long a room rings at every seat: measured, and as a proposal would leave it.

Conventions
-----------
Decay times in s, gains in dB. Only recorded sweeps tell; a recording in which something else was
heard is left out, for it looks like decay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.sweeps.decay import Decay, estimate_decay
from roomeq.analysis.sweeps.decay_lines import DecayLines, estimate_decay_lines
from roomeq.analysis.sweeps.predicted_decay import predict_impulse_response
from roomeq.room.room import Room


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeatDecay:
    """Decay of one recording, before and as predicted.

    Attributes
    ----------
    seat, file : str
    before, predicted : Decay
        In the same bands.
    lines, predicted_lines : DecayLines
        Level over time by third octave, as long as the longest decay time, within 0.6 to 1.5 s.
    """

    seat: str
    file: str
    before: Decay
    predicted: Decay
    lines: DecayLines
    predicted_lines: DecayLines


def room_decays(room: Room, *, gains_db: ArrayLike) -> tuple[SeatDecay, ...]:
    """Return the decay of every recorded sweep of the fitted source, before and as predicted.

    Parameters
    ----------
    room : Room
        Read with ``detail``: `roomeq.importers.room.read_room`.
    gains_db : array_like, shape (B,)
        Band gains in dB, such as those of a plan.

    Returns
    -------
    tuple of SeatDecay
        In the order of the recordings; empty where none can tell.

    Raises
    ------
    ValueError
        If gains are not usable, or the device's bands were measured in level only.
    """
    found = []
    for recorded in room.recordings:
        response = recorded.impulse_response
        if response is None or recorded.source != room.source:
            continue
        changed = predict_impulse_response(
            response,
            equaliser=room.equaliser,
            gains_db=gains_db,
            present_gains_db=room.present.gains_db,
        )
        try:
            before, predicted = map(estimate_decay, (response, changed))
            until = float(np.clip(np.nan_to_num(before.longest), 0.6, 1.5))
            lines = [estimate_decay_lines(one, until=until) for one in (response, changed)]
        except ValueError:  # no whole band is covered
            continue
        found.append(
            SeatDecay(
                seat=recorded.seat,
                file=recorded.file,
                before=before,
                predicted=predicted,
                lines=lines[0],
                predicted_lines=lines[1],
            )
        )
    return tuple(found)
