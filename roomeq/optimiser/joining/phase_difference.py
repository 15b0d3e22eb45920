"""The phase between subwoofer and mains from four levels, up to its sign.

Conventions
-----------
Levels in dB, seats by frequencies, of the subwoofer, the mains, both together, and both with one
polarity reversed, all at the same settings of gain. With S, M their amplitudes and phi the phase of
the subwoofer against the mains::

    sum^2 = S^2 + M^2 + 2 S M cos phi          difference^2 = S^2 + M^2 - 2 S M cos phi

so that ``cos phi = (sum^2 - difference^2) / (4 S M)``, and ``(sum^2 + difference^2) / 2`` must
equal ``S^2 + M^2``: where it does not within 0.5 dB something moved between the measurements, and
nothing is concluded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray, power_ratio, power_ratio_db, readonly
from roomeq.base.response import checked_frequencies

AGREEMENT_DB = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhaseDifference:
    """What four levels tell of the phase between subwoofer and mains.

    Attributes
    ----------
    frequencies : ndarray, shape (F,)
        Hz.
    cosine : ndarray, shape (S, F)
        Of the phase difference, within -1 to 1.
    product : ndarray, shape (S, F)
        Amplitudes of subwoofer and mains multiplied, relative to the largest at the seat.
    discrepancy_db : ndarray, shape (S, F)
        Mean power of sum and difference against the power of both, at most 0.5 dB either way.
    """

    frequencies: FloatArray
    cosine: FloatArray
    product: FloatArray
    discrepancy_db: FloatArray

    def continuous_phase_deg(self) -> FloatArray:
        """Return the phase difference that goes with the smoothest signs, (S, F), in degrees.

        An inference, not a measurement: at each seat the signs of ``S M sin phi`` are chosen so
        that it bends least over frequency (least sum of squared third differences, by dynamic
        programming); where phi passes 0 or 180 degrees slowly a sign may be missed. Of the two
        mirror images the one that falls with frequency is returned, a subwoofer that is late. Its
        negative, a subwoofer that is early, fits the levels just as well.
        """
        return np.array(
            [
                _signed_phase_deg(self.frequencies, cosine, product)
                for cosine, product in zip(self.cosine, self.product, strict=True)
            ]
        )


def estimate_phase_difference(
    frequencies: ArrayLike,
    *,
    sub_db: ArrayLike,
    mains_db: ArrayLike,
    sum_db: ArrayLike,
    difference_db: ArrayLike,
    seats: Sequence[str] | None = None,
) -> PhaseDifference:
    """Estimate the cosine of the phase between subwoofer and mains from four levels.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    sub_db, mains_db, sum_db, difference_db : array_like, shape (F,) or (S, F)
        Levels of the subwoofer, the mains, both, and both with one polarity reversed.
    seats : sequence of str, optional
        Names of the seats, for messages.

    Returns
    -------
    PhaseDifference

    Raises
    ------
    ValueError
        If shapes differ, a level is not finite, or the four levels contradict each other by more
        than 0.5 dB.
    """
    axis = checked_frequencies(frequencies)
    given = {"sub": sub_db, "mains": mains_db, "sum": sum_db, "difference": difference_db}
    levels = {name: np.atleast_2d(np.asarray(v, dtype=np.float64)) for name, v in given.items()}
    shape = levels["sub"].shape
    for name, values in levels.items():
        if values.shape != shape or shape[-1] != axis.size or not np.isfinite(values).all():
            raise ValueError(f"{name}_db must be finite and of shape {(*shape[:1], axis.size)}")
    top = max(float(values.max()) for values in levels.values())
    power = {name: power_ratio(values - top) for name, values in levels.items()}
    alone = power["sub"] + power["mains"]
    discrepancy = power_ratio_db((power["sum"] + power["difference"]) / 2.0 / alone)
    worst = np.unravel_index(int(np.argmax(np.abs(discrepancy))), shape)
    if not np.abs(discrepancy[worst]) <= AGREEMENT_DB:
        place = int(worst[0])
        named = seats is not None and len(seats) == shape[0]
        seat = repr(seats[place]) if seats and named else f"seat {place + 1}"
        raise ValueError(
            f"the four levels contradict each other: at {seat}, {axis[worst[1]]:.0f} "
            f"Hz, (sum^2 + difference^2)/2 is {discrepancy[worst]:+.2f} dB against subwoofer^2 + "
            f"mains^2, at most {AGREEMENT_DB:g} dB is accepted; measure all four again without "
            "moving the microphone or touching a level"
        )
    product = np.sqrt(power["sub"] * power["mains"])
    cosine = (power["sum"] - power["difference"]) / (4.0 * product)
    return PhaseDifference(
        frequencies=axis,
        cosine=readonly(np.clip(cosine, -1.0, 1.0)),
        product=readonly(product / product.max(axis=1, keepdims=True)),
        discrepancy_db=readonly(discrepancy),
    )


def _signed_phase_deg(
    frequencies: FloatArray, cosine: FloatArray, product: FloatArray
) -> FloatArray:
    """Return a seat's unwrapped phase difference with signs that bend least, falling, in degrees.

    Whether it falls is judged by a straight line, frequencies weighted by where both play.
    """
    size = product * np.sqrt(1.0 - cosine**2)
    phase = np.rad2deg(np.arctan2(_least_bent_signs(size) * size, product * cosine))
    turned = np.unwrap(phase, period=360.0)
    centred = frequencies - np.average(frequencies, weights=product)
    return np.asarray(turned if np.sum(product * centred * turned) <= 0 else -turned)


def _least_bent_signs(size: FloatArray) -> FloatArray:
    """Return signs with which magnitudes have the least sum of squared third differences.

    Third differences, since a curve that only touches zero bends more there than one that crosses.
    """
    signs = np.array([1.0, -1.0])
    values = signs[:, None] * size
    cost = np.zeros((2, 2, 2))  # of the signs of the last three points, the oldest first
    back = np.zeros((size.size, 2, 2, 2), dtype=np.intp)
    for i in range(3, size.size):
        bend = (
            values[None, None, None, :, i]
            - 3.0 * values[None, None, :, None, i - 1]
            + 3.0 * values[None, :, None, None, i - 2]
            - values[:, None, None, None, i - 3]
        )
        total = cost[..., None] + bend**2
        back[i] = total.argmin(axis=0)
        cost = total.min(axis=0)
    third, second, first = np.unravel_index(int(np.argmin(cost)), cost.shape)
    chosen = [int(first), int(second), int(third)]
    for i in range(size.size - 1, 2, -1):
        chosen.append(int(back[i][chosen[-1], chosen[-2], chosen[-3]]))
    return signs[chosen[::-1][-size.size :]]
