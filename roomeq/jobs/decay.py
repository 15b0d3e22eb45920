"""How long a room rings at every seat: measured, and as a proposal would leave it.

Conventions
-----------
Decay times in s, gains in dB. Only recorded sweeps tell; a recording in which something else was
heard is left out, for it looks like decay.

What other band gains would do to the decay: measured before, predicted after.

Frequencies in Hz, gains in dB, decay times in s. What is predicted is the measured impulse response
through the filters proposed and backwards through those that were in force. A mode's own decay is
not changed by that, unless a cut has zeros where the mode has its poles; then the zeros take the
mode away and the cut's own, shorter ringing takes its place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from roomeq.analysis.sweeps.decay import Decay, estimate_decay
from roomeq.analysis.sweeps.windowing import DecayLines, estimate_decay_lines
from roomeq.base.levels import FloatArray
from roomeq.base.recording import ImpulseResponse
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.room.room import Room


def predict_impulse_response(
    impulse_response: ImpulseResponse,
    *,
    equaliser: FixedBandEqualiser,
    gains_db: ArrayLike,
    present_gains_db: ArrayLike | None = None,
) -> ImpulseResponse:
    """Return an impulse response as it would be with other band gains.

    Parameters
    ----------
    impulse_response : ImpulseResponse
        Measured; one response or several.
    equaliser : FixedBandEqualiser
    gains_db : array_like, shape (B,)
        Gain of every band then, in dB.
    present_gains_db : array_like, shape (B,), optional
        Gain of every band while measuring; 0 dB by default.

    Returns
    -------
    ImpulseResponse
        As long as the one given; noise is filtered along with it.

    Raises
    ------
    ValueError
        If gains are not usable, or the device's bands were measured in level only: without phase
        nothing can be said of time.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    samples, rate = impulse_response.samples, float(impulse_response.sample_rate)
    gains = equaliser.checked_gains_db(gains_db)
    present = np.zeros(gains.size)
    if present_gains_db is not None:
        present = equaliser.checked_gains_db(present_gains_db)
    # Silence after it, in which the ringing of the filters dies before it could come round again.
    silence = math.ceil(rate * max(_ringing(equaliser, gains), _ringing(equaliser, present)))
    size = next_fast_len(samples.shape[-1] + silence, real=True)
    axis = np.arange(size // 2 + 1) * (rate / size)
    if equaliser.sample_rate is not None:
        axis = np.minimum(axis, 0.4999 * equaliser.sample_rate)
    change = equaliser.response(gains, axis) / equaliser.response(present, axis)
    filtered = irfft(rfft(samples, size) * change, size)[..., : samples.shape[-1]]
    return replace(impulse_response, samples=filtered, told=None)


def _ringing(equaliser: FixedBandEqualiser, gains_db: FloatArray) -> float:
    """Return how long the filters, or their inverses, ring until they are 140 dB down, in s.

    Of a section and its inverse the slower root has the damping ``w / (2 A Q)``, ``A`` at least 1.
    """
    sections = [equaliser.section(index, gain) for index, gain in enumerate(gains_db)]
    longest = [q * 10.0 ** (abs(gain_db) / 40.0) for gain_db, q in sections] / equaliser.centres
    return 7.0 * math.log(10.0) / math.pi * float(np.max(longest))


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
