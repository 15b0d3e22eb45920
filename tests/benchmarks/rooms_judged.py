"""What a setting really does in a room of known truth, sharing nothing with the library.

Conventions
-----------
Levels and gains in dB, on the true axis of `rooms_apart`. Windows of smoothing are rectangular over
log f. What the figures mean is said in `bench_against_hand`.
"""

from __future__ import annotations

import numpy as np
from rooms_apart import TRUE_AXIS, equaliser
from scipy.optimize import brentq
from scipy.signal import find_peaks, peak_widths


def gain_db(frequencies, gains_db):
    return 20.0 * np.log10(np.abs(equaliser(frequencies, gains_db)))


def smoothing(axis, octaves=1.0 / 6.0):
    """Rectangular windows over log f as a matrix, and which of the axis has a whole window."""
    apart = np.abs(np.log2(axis[:, None] / axis)) / (octaves / 2.0)
    weights = (apart < 1.0 - 1e-9) + 0.5 * (np.abs(apart - 1.0) < 1e-9)
    return weights / weights.sum(axis=1, keepdims=True)


def in_db(power):
    return 10.0 * np.log10(np.maximum(power, 1e-30))


class Truth:
    """What a setting really does in a room."""

    def __init__(self, room):
        self.room = room
        self.power = np.abs(room.truth) ** 2
        self.seats = len(room.weights)
        self.share = room.weights / room.weights.sum()
        self.smooth = smoothing(TRUE_AXIS)
        self.curve = room.curve_db(TRUE_AXIS)
        axis = TRUE_AXIS
        self.axis = (axis >= 20.0) & (axis <= 125.0)
        self.play = self.axis & (axis <= room.corner)
        self.above = self.play & (axis >= room.box.limit)
        average = self.share @ self.power[: self.seats]
        self.dips, self.nulls = cancellations(
            in_db(smoothing(TRUE_AXIS, 1 / 24) @ average) - self.curve, self.axis
        )
        ratio = (room.box.limit / TRUE_AXIS) ** (2 * room.box.order)
        parts = (
            (in_db(self.smooth @ average) - self.curve)[self.axis],
            in_db(1 + 3 * ratio)[self.axis],
            self.dips[self.axis],
            self.nulls[self.axis],
        )
        self.statement, self.aimed = excused(*parts), excused_at_aim(*parts)

    def weighted(self, gains_db, *, aimed=False):
        """sqrt(F) of the statement; with `aimed` against the aim, less what no shape mends."""
        d, z = self.aimed if aimed else self.statement
        boost = gain_db(TRUE_AXIS[self.axis], gains_db)
        x = boost - boost.mean()
        loss = 2.0 * np.maximum(d + x, 0.0) ** 2 + np.maximum(-(z + x), 0.0) ** 2
        least = 2.0 * max(d.mean(), 0.0) ** 2 if aimed else 0.0
        return np.sqrt(max(loss.mean() - least, 0.0) + 0.01 * min(boost.mean(), 0.0) ** 2)

    def seat_deviations(self, gains_db):
        boost = 10.0 ** (gain_db(TRUE_AXIS, gains_db) / 10.0)
        return in_db((self.power * boost) @ self.smooth.T) - self.curve

    def figures(self, gains_db):
        each = self.seat_deviations(gains_db)
        seats = each[: self.seats]
        average = in_db(self.share @ 10.0 ** (seats / 10.0))
        own = each[:, self.play].std(axis=1)
        before = self.seat_deviations(self.room.present_db)[: self.seats, self.play].std(axis=1)
        excess = seats[:, self.play] - seats[:, self.above].mean(axis=1, keepdims=True)
        boost = gain_db(TRUE_AXIS, gains_db)
        risen = (boost - boost[self.play].mean())[self.dips & self.play]
        boost = boost[self.dips & self.play]
        return {
            "(i)": average[self.play].std(),
            "(ii)": own[: self.seats].mean(),
            "usable": average[self.above].std(),
            "excess": excess.max(),
            "worst": (own[: self.seats] - before).max(),
            "left out": own[self.seats :].mean(),
            "sqrt(F)": self.weighted(gains_db),
            "aimed": self.weighted(gains_db, aimed=True),
            "dips": max(boost.max(initial=0.0), 0.0),
            "risen": max(risen.max(initial=0.0), 0.0),
        }


def excused(deviation, allowance, dips, nulls):
    """Return d and z of the statement on an axis."""

    def mean(shift):
        return asked(deviation - shift, allowance, dips, nulls).mean()

    low, high = deviation.min() - 1.0, deviation.max() + 1.0
    d = deviation - brentq(lambda m: mean(m) + 1e-9 * (low - m), low, high)
    return d, asked(d, allowance, dips, nulls)


def excused_at_aim(deviation, allowance, dips, nulls):
    """Return d and z against the level that four fifths of the axis reach, nulls apart."""
    d, _ = excused(deviation, allowance, dips, nulls)
    reached = np.sort((d + allowance)[~nulls])
    d = d - min(reached[int(0.2 * reached.size)], 0.0)
    return d, asked(d, allowance, dips, nulls)


def asked(d, allowance, dips, nulls):
    z = np.where(d >= 0.0, d, np.minimum(d + allowance, 0.0))
    z = np.where(dips, np.maximum(z, -6.0), z)
    return np.where(nulls, np.maximum(z, 0.0), z)


def cancellations(level_db, axis):
    """Return where dips (8 dB, 0.8 octave) and narrow nulls (15 dB, 1 octave) are."""
    per_octave = 96
    dips, nulls = np.zeros(level_db.size, dtype=bool), np.zeros(level_db.size, dtype=bool)
    found, about = find_peaks(-level_db, prominence=8.0)
    widths, _, left, right = peak_widths(
        -level_db,
        found,
        rel_height=0.5,
        prominence_data=(about["prominences"], about["left_bases"], about["right_bases"]),
    )
    for width, start, end in zip(widths, left, right, strict=True):
        if width <= 0.8 * per_octave:
            dips[max(int(start) - 8, 0) : int(end) + 10] = True
    relative = level_db - np.median(level_db[axis])
    low = np.flatnonzero(np.diff(np.concatenate([[0], relative < -3.0, [0]])))
    for start, end in low.reshape(-1, 2):
        if end - start <= per_octave and relative[start:end].min() <= -15.0:
            nulls[start:end] = True
    return dips, nulls
