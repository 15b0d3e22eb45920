"""Joining from levels alone: four responses in place of a common time reference.

Conventions
-----------
The cosine of the phase is that of `roomeq.optimiser.joining.levels`. The sign of phi
stays unknown: a subwoofer that is late and one that is as early give the same four levels. Trying
the wrong one is worse than leaving everything: so they are not two settings but a question, with
the measurement that decides it (both together once more, with another delay).

What is sure: the cosine, and what reversing one polarity does now. What is inferred: how the sign
of phi changes over frequency. In 20 invented modal rooms the signs were right over the whole
crossover without noise at 96 or more points an octave (median), over about three quarters of it
with 0.1 dB of noise or 48 points an octave. So the predicted sum is to be held against the next
measurement before it is believed.

The phase between subwoofer and mains from four levels, up to its sign.

Levels in dB, seats by frequencies, of the subwoofer, the mains, both together, and both with one
polarity reversed, all at the same settings of gain. With S, M their amplitudes and phi the phase of
the subwoofer against the mains::

    sum^2 = S^2 + M^2 + 2 S M cos phi          difference^2 = S^2 + M^2 - 2 S M cos phi

so that ``cos phi = (sum^2 - difference^2) / (4 S M)``, and ``(sum^2 + difference^2) / 2`` must
equal ``S^2 + M^2``: where it does not within 0.5 dB something moved between the measurements, and
nothing is concluded.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray, amplitude_ratio, power_ratio, power_ratio_db
from roomeq.base.response import checked_frequencies
from roomeq.base.survey import Source
from roomeq.device.processor import DelayRange, JoiningSettings
from roomeq.device.profile import PhaseControl
from roomeq.optimiser.joining.alignment import TIE_DB, Alignment, align
from roomeq.optimiser.joining.data import JoiningData, joining_axes
from roomeq.optimiser.joining.summation import judge_sum, judge_sums
from roomeq.wanted.target import Target

FOUR: tuple[Source, ...] = ("sub", "mains", "both", "difference")
AGREEMENT_DB = 0.5


Levels = Mapping[Source, ArrayLike]
"""Of ``sub``, ``mains``, ``both`` and ``difference`` (both with one polarity reversed), in dB."""


def estimate_phase_cosine(
    frequencies: ArrayLike, levels_db: Levels, *, seats: Sequence[str] | None = None
) -> tuple[FloatArray, FloatArray]:
    """Estimate the cosine of the phase between subwoofer and mains from four levels.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    levels_db : dict of str to array_like, shape (F,) or (S, F)
        As `Levels`.
    seats : sequence of str, optional
        Names of the seats, for messages.

    Returns
    -------
    cosine : ndarray, shape (S, F)
        Within -1 to 1.
    product : ndarray, shape (S, F)
        Amplitudes of subwoofer and mains multiplied, relative to the largest at the seat.

    Raises
    ------
    ValueError
        If the four levels contradict each other by more than 0.5 dB.
    """
    axis = checked_frequencies(frequencies)
    levels = {name: np.atleast_2d(levels_db[name]) for name in FOUR}
    shape = levels["sub"].shape
    top = max(float(values.max()) for values in levels.values())
    sub, mains, both, difference = (power_ratio(levels[name] - top) for name in FOUR)
    discrepancy = power_ratio_db((both + difference) / 2.0 / (sub + mains))
    worst = np.unravel_index(int(np.argmax(np.abs(discrepancy))), shape)
    if not np.abs(discrepancy[worst]) <= AGREEMENT_DB:
        place = int(worst[0])
        seat = f"seat {place + 1}" if seats is None else repr(seats[place])
        raise ValueError(
            f"the four levels contradict each other: at {seat}, {axis[worst[1]]:.0f} "
            f"Hz, (sum^2 + difference^2)/2 is {discrepancy[worst]:+.2f} dB against subwoofer^2 + "
            f"mains^2, at most {AGREEMENT_DB:g} dB is accepted; measure all four again without "
            "moving the microphone or touching a level"
        )
    product = np.sqrt(sub * mains)
    cosine = np.clip((both - difference) / (4.0 * product), -1.0, 1.0)
    return cosine, product / product.max(axis=1, keepdims=True)


def continuous_phase_deg(
    frequencies: FloatArray, cosine: FloatArray, product: FloatArray
) -> FloatArray:
    """Return the phase difference that goes with the smoothest signs, (S, F), in degrees.

    An inference, not a measurement: at each seat the signs of ``S M sin phi`` are chosen so that it
    bends least over frequency (least sum of squared third differences, by dynamic programming);
    where phi passes 0 or 180 degrees slowly a sign may be missed. Of the two mirror images the one
    that falls with frequency is returned, a subwoofer that is late: judged by a straight line,
    frequencies weighted by where both play. Its negative, a subwoofer that is early, fits the
    levels just as well.
    """
    found = []
    for row, both in zip(cosine, product, strict=True):
        size = both * np.sqrt(1.0 - row**2)
        phase = np.rad2deg(np.arctan2(_least_bent_signs(size) * size, both * row))
        turned = np.unwrap(phase, period=360.0)
        centred = frequencies - np.average(frequencies, weights=both)
        found.append(turned if np.sum(both * centred * turned) <= 0 else -turned)
    return np.array(found)


def _least_bent_signs(size: FloatArray) -> FloatArray:
    """Return signs with which magnitudes have the least sum of squared third differences.

    Third differences, since a curve that only touches zero bends more there than one that crosses.
    """
    signs = (1.0, -1.0)
    best = {last: (0.0, last) for last in itertools.product(signs, repeat=3)}  # by the last three
    for i in range(3, size.size):
        found: dict[tuple[float, ...], tuple[float, tuple[float, ...]]] = {}
        for ((a, b, c), (cost, chosen)), d in itertools.product(best.items(), signs):
            bend = d * size[i] - 3.0 * c * size[i - 1] + 3.0 * b * size[i - 2] - a * size[i - 3]
            total = cost + float(bend**2)
            if (b, c, d) not in found or total < found[b, c, d][0]:
                found[b, c, d] = total, (*chosen, d)
        best = found
    _, chosen = min(best.values(), key=lambda one: one[0])
    return np.array(chosen[: size.size])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelJoining:
    """Two answers from four levels: they cannot tell a late subwoofer from an early one.

    Attributes
    ----------
    if_late, if_early : Alignment
        What would be right if the subwoofer is late, and if it is as early.
    reversed_loss_db : float
        What the sum loses with one polarity reversed, as measured, all else as it is.
    move_delay_ms : float or None
        Another delay with which to measure both together once more, of the subwoofer against the
        mains, polarity and phase as they are; None where no delay can be set.
    move_if_late_db, move_if_early_db : float or None
        By how much the mean level in the octave around the corner changes then.
    """

    if_late: Alignment
    if_early: Alignment
    reversed_loss_db: float
    move_delay_ms: float | None = None
    move_if_late_db: float | None = None
    move_if_early_db: float | None = None

    @property
    def ambiguous(self) -> bool:
        """Whether it matters which of the answers is set, if the other one holds."""
        late, early = self.if_late, self.if_early
        if late.chosen.settings == early.chosen.settings:
            return False
        crossed = (
            judge_sum(one.data, other.chosen.settings).loss_db - one.chosen.loss_db
            for one, other in ((late, early), (early, late))
        )
        return max(crossed) > TIE_DB


def fit_joining_levels(
    frequencies: ArrayLike,
    levels_db: Levels,
    *,
    corner: float,
    seats: tuple[str, ...] | None = None,
    seat_weights: ArrayLike | None = None,
    target: Target | None = None,
    present: JoiningSettings | None = None,
    delays: DelayRange | None = None,
    phase_control: PhaseControl | None = None,
    can_invert: bool = True,
) -> LevelJoining:
    """Join subwoofer and mains from levels of both, of their sum and of their difference.

    Parameters
    ----------
    frequencies, levels_db
        As for `estimate_phase_cosine`; at least 12 points an octave, lightly smoothed at most.
    corner : float
        Crossover corner in Hz.
    seats : tuple of str, optional
        Names; ``seat 1`` and so on by default.
    seat_weights : array_like, shape (S,), optional
    target, present
        As for `roomeq.optimiser.joining.survey.prepare_joining`.
    delays, phase_control, can_invert
        As for `roomeq.optimiser.joining.alignment.align`.

    Returns
    -------
    LevelJoining

    Raises
    ------
    ValueError
        If the levels contradict each other.
    """
    cosine, product = estimate_phase_cosine(frequencies, levels_db, seats=seats)
    known = checked_frequencies(frequencies)
    turned = continuous_phase_deg(known, cosine, product)
    names = seats or tuple(f"seat {number + 1}" for number in range(len(turned)))
    weights = np.ones(len(names)) if seat_weights is None else np.asarray(seat_weights)
    span = 0.5 * corner, 2.0 * corner
    points, axis = joining_axes(span, first=float(known[0]), last=float(known[-1]))

    def at_points(rows: ArrayLike) -> FloatArray:
        levels = np.atleast_2d(rows)
        return np.array([np.interp(np.log(points), np.log(known), row) for row in levels])

    now = present or JoiningSettings()
    sub, mains = (amplitude_ratio(at_points(levels_db[source])) for source in FOUR[:2])
    late, early = (
        JoiningData(
            corner=corner,
            seats=names,
            seat_weights=weights,
            points=points,
            sub=sub * np.exp(1j * np.deg2rad(at_points(mirror * turned))) / now.response(points),
            mains=mains.astype(np.complex128),
            frequencies=axis,
            target_db=(target or Target()).shape_db(axis),
            frequency_weights=np.ones(axis.size),
            seat_offsets_db=np.zeros(len(names)),
            present=now,
        ).with_seats_levelled()
        for mirror in (1.0, -1.0)
    )
    if_late, if_early = (
        align(data, delays=delays, phase_control=phase_control, can_invert=can_invert)
        for data in (late, early)
    )
    return LevelJoining(
        if_late=if_late,
        if_early=if_early,
        reversed_loss_db=judge_sum(late, replace(now, inverted=not now.inverted)).loss_db,
        **_deciding_move(late, early, delays or DelayRange()),
    )


def _deciding_move(late: JoiningData, early: JoiningData, delays: DelayRange) -> dict[str, float]:
    """Return the delay at which both together differ most between the two answers."""
    present, values = late.present, delays.values
    near = values[np.abs(values - present.delay) <= 0.5 / late.corner + 1e-9].tolist()
    if len(near) < 2:
        return {}
    tried = [present, *(replace(present, delay=delay) for delay in near)]
    losses = np.array([[one.loss_db for one in judge_sums(d, tried)] for d in (late, early)])
    louder = losses[:, :1] - losses[:, 1:]
    place = int(np.argmax(np.abs(louder[0] - louder[1])))
    return {
        "move_delay_ms": round(1e3 * near[place], 6),
        "move_if_late_db": float(louder[0, place]),
        "move_if_early_db": float(louder[1, place]),
    }
