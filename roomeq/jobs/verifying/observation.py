"""What was measured again beside a plan, in a form that causes can be compared by.

Conventions
-----------
Differences are measured again less predicted, in dB, shape (seats, bins), averaged over sixths of
an octave. Candidates are changes of the subwoofer against the plan, K at a time. One offset over
all seats and parts is free: the levels of two measuring days need not compare.

How likely a candidate is follows from a Student distribution of five degrees of freedom, of which
the scale is the repeatability: single points may lie far off, in a dip that moved. Three bins count
as one observation, as scatter hangs together over about a third of an octave. Both common practice,
no source; what the choices are worth is measured by tests/benchmarks/bench_verification.py.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from roomeq.base.levels import ComplexArray, FloatArray, readonly

BINS_PER_OCTAVE = 6
FREEDOM = 5.0
BIN_SHARE = 0.35
DEFAULT_SCATTER_DB, LEAST_SCATTER_DB, MOST_SCATTER_DB = 0.5, 0.3, 1.2
_PRIOR_BINS = 12.0
"""How many bins the default scatter counts for, beside what differs between the seats."""
_UNKNOWN = ((0.3, 0.3), (0.5, 0.35), (0.8, 0.2), (1.2, 0.15))
"""Scatter in dB and how often, where it is neither stated nor told by the seats."""
_GUESSED_DB = 0.9
NOISE_DB = -30.0
"""Level of noise against a seat's mean level: deep in dips and far above a low-pass, noise and
small moves decide; common practice, no source."""
RAISED_DB, RAISED_DOUBT = 10.0, 2.0
"""What a low-pass took away by this much while measuring, and is predicted without it, rests on
noise: in doubt by so many dB for each dB more. Common practice, no source."""
_DEEPEST = 1e-3
_USUAL_OFFSET_DB = 3.0
"""How far levels of two days lie apart; common practice, no source. Of causes that explain alike
the one that leaves less of it comes first."""


def log_likelihood(residual_db: FloatArray, scatter_db: FloatArray | float) -> FloatArray:
    """Return the logarithm of the likelihood of each residual in dB, up to a constant."""
    scaled = residual_db / scatter_db
    return np.asarray(
        -BIN_SHARE * (0.5 * (FREEDOM + 1.0) * np.log1p(scaled**2 / FREEDOM) + np.log(scatter_db))
    )


def bin_means(frequencies: FloatArray, *, bands_only: bool = False) -> FloatArray:
    """Return the matrix that averages over sixths of an octave, shape (F, B); empty bins go.

    Third-octave band levels stay as they are.
    """
    if bands_only:
        return np.eye(frequencies.size)
    number = np.floor(BINS_PER_OCTAVE * np.log2(frequencies / frequencies[0]) + 1e-6)
    inside = number[:, None] == np.unique(number)[None, :]
    return np.asarray(inside / inside.sum(axis=0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """Candidates: what each changes against the plan; arrays of K, or one value for all.

    Attributes
    ----------
    transfer : callable, optional
        Frequencies in Hz to the complex ratio of the subwoofer, shape (K, F) or (F,).
    sub_db, mains_db : float or ndarray, shape (K,)
    mains_transfer : callable, optional
        As `transfer`, of the mains.
    delay : float or ndarray, shape (K,)
        Of the subwoofer in s, positive is later.
    sign : float or ndarray, shape (K,)
        -1 where its polarity is the other one.
    of : str or None
        Which of several subwoofers it is of; None for all of them.
    """

    transfer: Callable[[FloatArray], ComplexArray] | None = None
    sub_db: FloatArray | float = 0.0
    mains_db: FloatArray | float = 0.0
    mains_transfer: Callable[[FloatArray], ComplexArray] | None = None
    delay: FloatArray | float = 0.0
    sign: FloatArray | float = 1.0
    of: str | None = None

    def of_sub(self, frequencies: FloatArray) -> ComplexArray:
        """Return what happens to the subwoofer, complex, shape (K, F)."""
        own = np.ones(frequencies.size) if self.transfer is None else self.transfer(frequencies)
        gain = np.atleast_1d(self.sign * 10.0 ** (np.asarray(self.sub_db) / 20.0))[:, None]
        turn = np.exp(-2j * np.pi * np.atleast_1d(self.delay)[:, None] * frequencies)
        return np.asarray(own * gain * turn)

    def of_mains(self, frequencies: FloatArray) -> ComplexArray:
        """Return what happens to the mains, complex, shape (K, F)."""
        own = np.ones(frequencies.size, dtype=np.complex128)
        if self.mains_transfer is not None:
            own = self.mains_transfer(frequencies)
        return np.asarray(own * 10.0 ** (np.atleast_1d(self.mains_db) / 20.0)[:, None])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwoPowers:
    """Predicted powers of one that may change and of the rest beside it, shape (S, F).

    Attributes
    ----------
    own, rest : ndarray
        Of each alone.
    cross : ndarray
        Of the one with the conjugate of the rest, complex.
    """

    own: FloatArray
    rest: FloatArray
    cross: ComplexArray

    def change_db(self, ratio: ComplexArray, rest: ComplexArray) -> FloatArray:
        """Return what ratios of both, shape (K, F), change in the sum, shape (K, S, F)."""

        def power(ratio: ComplexArray, rest: ComplexArray) -> FloatArray:
            one, other = np.abs(ratio) ** 2 * self.own, np.abs(rest) ** 2 * self.rest
            both = one + other + 2.0 * np.real(ratio * rest.conj() * self.cross)
            return np.asarray(np.maximum(both, _DEEPEST * (one + other)))

        same = np.ones((1, 1, 1), dtype=np.complex128)
        changed = power(ratio[:, None, :], rest[:, None, :])
        return np.asarray(10.0 * np.log10(changed / power(same, same)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One source measured again at some seats.

    Attributes
    ----------
    seats : tuple of str
    frequencies : ndarray, shape (F,)
        Hz.
    difference_db, predicted_db : ndarray, shape (S, F)
    before_db : ndarray, shape (S, F)
        Level before the plan was set, less the predicted.
    means : ndarray, shape (F, B)
        Averages over the bins.
    with_mains : TwoPowers or None
        Subwoofer and mains; None where the part is of one of them.
    of_each : dict of str to TwoPowers
        Each of several subwoofers, beside the others; empty where there is one.
    of_mains : bool
        Whether the part is of the mains by themselves.
    raised_db : ndarray or None, shape (F,)
        By how much the prediction lies above what was measured, because a filter is bypassed.
    binned_db, doubt_db : ndarray, shape (S, B)
        Difference in each bin, and by how much noise may change it.
    """

    seats: tuple[str, ...]
    frequencies: FloatArray
    difference_db: FloatArray
    predicted_db: FloatArray
    before_db: FloatArray
    means: FloatArray
    with_mains: TwoPowers | None = None
    of_each: dict[str, TwoPowers] = field(default_factory=dict)
    of_mains: bool = False
    raised_db: FloatArray | None = None
    binned_db: FloatArray = field(init=False)
    doubt_db: FloatArray = field(init=False)

    def __post_init__(self) -> None:  # every candidate is held against them
        object.__setattr__(self, "binned_db", readonly(self.difference_db @ self.means))
        object.__setattr__(self, "doubt_db", readonly(self._doubt_db() @ self.means))

    def mean_db(self, rows_db: FloatArray, scatter_db: float) -> FloatArray:
        """Return the mean of rows over the seats, shape (F,), each counting as it is certain."""
        weights = 1.0 / (scatter_db**2 + self._doubt_db() ** 2)
        return np.asarray((weights * rows_db).sum(axis=0) / weights.sum(axis=0))

    def _doubt_db(self) -> FloatArray:
        """Return by how much noise may change levels, shape (S, F), each seat against its mean."""
        mean = 10.0 * np.log10(np.mean(10.0 ** (self.predicted_db / 10.0), axis=1, keepdims=True))
        doubt = 8.7 * 10.0 ** ((mean + NOISE_DB - self.predicted_db) / 20.0)
        if self.raised_db is not None:
            doubt = doubt + RAISED_DOUBT * np.maximum(self.raised_db - RAISED_DB, 0.0)
        return np.asarray(doubt)

    def pattern_db(self, change: Change) -> FloatArray:
        """Return what candidates change at each seat and bin, shape (K, S or 1, B)."""
        ratio, mains = change.of_sub(self.frequencies), change.of_mains(self.frequencies)
        powers = self.with_mains
        if change.of is not None:
            powers, mains = self.of_each[change.of], np.ones_like(ratio[:1])
        if powers is not None:
            return np.asarray(powers.change_db(ratio, mains) @ self.means)
        alone = mains if self.of_mains else ratio
        return np.asarray(20.0 * np.log10(np.abs(alone)) @ self.means)[:, None, :]


def _spread_db(part: Part) -> float | None:
    """Return how far seats scatter by themselves, by the pairs that differ least, in dB.

    Of n seats, one that was moved spoils n - 1 pairs: the middle of the others is taken. None where
    there are fewer than two seats, or too little is heard.
    """
    rows, heard = part.binned_db, (part.doubt_db < 1.0).all(axis=0)
    pairs = list(itertools.combinations(range(len(rows)), 2))
    if not pairs or heard.sum() < 6:
        return None
    apart = [rows[a, heard] - rows[b, heard] for a, b in pairs]
    spreads = sorted(float(np.std(row) / 2.0**0.5) for row in apart)
    clean = max((len(rows) - 1) * (len(rows) - 2) // 2, 1)
    return spreads[clean // 2]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observation:
    """All parts, and how far a repeated measurement scatters.

    Attributes
    ----------
    parts : tuple of Part
    scatters : tuple of (float, float)
        dB, and how likely; one where it is known.
    stated : bool
        Whether it was stated, or measured by repeats.
    """

    parts: tuple[Part, ...]
    scatters: tuple[tuple[float, float], ...]
    stated: bool = False

    @property
    def scatter_db(self) -> float:
        """Return the scatter, or its mean where it is not known, in dB."""
        return sum(scatter * share for scatter, share in self.scatters)

    @classmethod
    def of(cls, parts: tuple[Part, ...], *, repeatability_db: float | None) -> Observation:
        """Return an observation; what is not stated is told by how the seats differ.

        What the bands change is the same at all seats of the subwoofer alone, and so is not taken
        for scatter; the median keeps out a seat that was moved.
        """
        if repeatability_db is not None:
            scatter = max(repeatability_db, LEAST_SCATTER_DB)
            return cls(parts=parts, scatters=((scatter, 1.0),), stated=True)
        told = [_spread_db(part) for part in parts if part.with_mains is None and not part.of_mains]
        if not told or told[0] is None:
            return cls(parts=parts, scatters=_UNKNOWN)
        power = _PRIOR_BINS * DEFAULT_SCATTER_DB**2 + parts[0].binned_db.size * told[0] ** 2
        scatter = float(np.sqrt(power / (_PRIOR_BINS + parts[0].binned_db.size)))
        scatter = min(max(scatter, LEAST_SCATTER_DB), MOST_SCATTER_DB)
        return cls(parts=parts, scatters=((scatter, 1.0),))

    @property
    def doubtful_scatter_db(self) -> float:
        """Return the scatter to allow for before a difference is one: more where it is a guess."""
        return self.scatter_db if self.stated else max(self.scatter_db, _GUESSED_DB)

    @property
    def count(self) -> float:
        """How many independent observations there are, as the bins count."""
        return BIN_SHARE * sum(part.binned_db.size for part in self.parts)

    @property
    def seats(self) -> tuple[str, ...]:
        """All seats, each once."""
        return tuple(dict.fromkeys(seat for part in self.parts for seat in part.seats))

    def residuals_db(self, change: Change) -> list[FloatArray]:
        """Return what each candidate leaves, by part, shape (K, S, B); one offset removed."""
        return self.centred(self._differences_db(change))[0]

    def offset_db(self, change: Change) -> float:
        """Return the one offset that a single candidate leaves."""
        return float(self.centred(self._differences_db(change))[1][0])

    def _differences_db(self, change: Change) -> list[FloatArray]:
        return [part.binned_db - part.pattern_db(change) for part in self.parts]

    def centred(self, left: list[FloatArray]) -> tuple[list[FloatArray], FloatArray]:
        """Return residuals by part less the one offset of each candidate, and the offsets."""
        most = max(len(rows) for rows in left)
        alike = [np.broadcast_to(rows, (most, *rows.shape[1:])).reshape(most, -1) for rows in left]
        offset = np.median(np.concatenate(alike, axis=1), axis=1)
        return [rows - offset[:, None, None] for rows in left], offset

    def misfit(self, left: list[FloatArray]) -> float:
        """Return the mean square of single residuals over the scatter, none counting beyond 9.

        About 1 where only scatter is left.
        """
        most = self.scatters[-1][0]
        parts = [
            np.minimum((rows / np.hypot(most, part.doubt_db)) ** 2, 9.0).ravel()
            for part, rows in zip(self.parts, left, strict=True)
        ]
        return float(np.mean(np.concatenate(parts)))

    def score(self, change: Change) -> FloatArray:
        """Return the log-likelihood of each candidate, shape (K,)."""
        left, offset = self.centred(self._differences_db(change))
        return self.score_of(left) - 0.5 * (offset / _USUAL_OFFSET_DB) ** 2

    def score_of(
        self, left: list[FloatArray], *, further_db: list[FloatArray] | None = None
    ) -> FloatArray:
        """Return the log-likelihood of residuals by part, shape (K, S, B); shape (K,).

        `further_db` scatters more, by part, shape (S, B).
        """
        more = further_db or [np.zeros(1)] * len(left)
        by_scatter = [
            np.log(share)
            + sum(
                log_likelihood(rows, np.hypot(scatter, np.hypot(part.doubt_db, extra))).sum((1, 2))
                for part, rows, extra in zip(self.parts, left, more, strict=True)
            )
            for scatter, share in self.scatters
        ]
        return np.asarray(np.logaddexp.reduce(by_scatter, axis=0))
