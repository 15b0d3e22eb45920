"""Fits of all that is tried: low-passes with one low end, low ends with one set of low-passes.

Conventions
-----------
What happens at the top of a response hardly depends on what is taken for its bottom, so that the
two are told apart in turn: single low-passes with a plain box, low ends with the likeliest of them,
all low-passes with the likeliest low end, low ends with the likeliest low-passes.

How likely a chain makes what was measured: a fit with correlated errors, and its evidence.

What a chain leaves of the level is noise, whose size is known, a smooth roll-off that nobody stated
(a normal process over octaves with a long correlation), and ripple of a room (a shorter one), whose
size and length are not known: the evidence is the mean over a grid of them. Evidence is ln of a
density, by Laplace's approximation (MacKay, Neural Computation 4(3), 1992).
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.optimiser.path.hypotheses import Chain, Tried, levels_of, priors
from roomeq.optimiser.path.observation import Observation

_TRIALS = 40
_DRIFT_OCTAVES = 1.2


class Errors:
    """Covariances of what is left, whitened, for every size and length of ripple that is tried."""

    def __init__(
        self,
        seen: Observation,
        *,
        drift_db: float,
        ripples_db: Sequence[float],
        lengths: Sequence[float],
        least_db: float,
    ) -> None:
        octaves = np.log2(seen.frequencies)
        apart = np.abs(octaves[:, np.newaxis] - octaves)
        known = drift_db**2 * np.exp(-0.5 * (apart / _DRIFT_OCTAVES) ** 2)
        known += np.diag(seen.spread_db**2 + least_db**2)
        self.seen = seen
        covers = []
        for ripple, length in itertools.product(ripples_db, lengths):
            scaled = np.sqrt(3.0) * apart / length
            covers.append(known + ripple**2 * (1.0 + scaled) * np.exp(-scaled))
        roots = np.linalg.cholesky(np.array(covers))
        self.whiten: FloatArray = np.linalg.inv(roots)
        self.constant = -np.log(np.diagonal(roots, axis1=1, axis2=2)).sum(axis=1)

    def likeliest(self, left: FloatArray) -> int:
        """Return which ripple explains residuals best."""
        return int(np.argmax(self.constant - 0.5 * np.sum((self.whiten @ left) ** 2, axis=-1)))

    def misfit(self, fit: Fit, ripple: int) -> float:
        """Return half the sum of squares of a fit with one ripple, the priors' share included."""
        left = self.whiten[ripple] @ fit.left_db
        return 0.5 * float(left @ left + fit.offset @ fit.offset)

    def parameter_spreads(self, fit: Fit) -> FloatArray:
        """Return the standard deviations of the parameters, with the likeliest ripple."""
        change = self.whiten[self.likeliest(fit.left_db)] @ fit.slope
        known = change.T @ change + np.diag(1.0 / priors(fit.chain)[1] ** 2)
        return np.asarray(np.sqrt(np.diag(np.linalg.inv(known))))

    def evidence(self, fit: Fit) -> float:
        """Return ln evidence of a fit, averaged over the ripples."""
        change = self.whiten @ (fit.slope * priors(fit.chain)[1])
        known = np.eye(fit.parameters.size) + change.swapaxes(1, 2) @ change
        squares = np.sum((self.whiten @ fit.left_db) ** 2, axis=-1) + np.linalg.slogdet(known)[1]
        mean = float(np.logaddexp.reduce(self.constant - 0.5 * squares)) - math.log(len(squares))
        return mean - 0.5 * float(fit.offset @ fit.offset)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A chain with its likeliest parameters, what it leaves of the level, and derivatives."""

    chain: Chain
    parameters: FloatArray
    left_db: FloatArray
    slope: FloatArray

    @property
    def offset(self) -> FloatArray:
        """How far each parameter is from its prior's centre, in its prior's spreads."""
        centre, spread = priors(self.chain)
        return (self.parameters - centre) / spread


def fit_chain(
    chain: Chain, errors: Errors, ripple: int, start: dict[int, float] | None = None
) -> Fit:
    """Fit a chain with one of the ripples; `start` replaces the priors' centres at places."""
    from scipy.optimize import leastsq

    seen, whiten = errors.seen, errors.whiten[ripple]
    levels = levels_of(chain, seen.frequencies, seen.noise_db)
    centre, spread = priors(chain)
    begin = centre.copy()
    for place, value in (start or {}).items():
        begin[place] = value

    @functools.lru_cache(maxsize=1)  # levels and derivatives are asked for one after the other
    def kept(at: bytes) -> tuple[FloatArray, FloatArray]:
        return levels(np.frombuffer(at))

    begin[0] += float(np.median(seen.level_db - levels(begin)[0]))
    weights, falling, own = 1.0 / spread, -whiten.T, np.diag(1.0 / spread)

    def residuals(at: FloatArray) -> FloatArray:
        left_db = seen.level_db - kept(at.tobytes())[0]
        return np.concatenate((whiten @ left_db, (at - centre) * weights))

    def jacobian(at: FloatArray) -> FloatArray:
        return np.concatenate((kept(at.tobytes())[1].T @ falling, own), axis=1)

    found = leastsq(
        residuals,
        begin,
        Dfun=jacobian,
        col_deriv=True,
        maxfev=_TRIALS,
        ftol=1e-4,
        full_output=True,
    )[0]
    level, slope = kept(found.tobytes())
    return Fit(chain, found, seen.level_db - level, slope)


_START_FALL_DB = 8.0
_STATED = 0.1  # corners that are stated have less spread than that
_HOPELESS = 30.0  # in ln of a likelihood


class Judged(NamedTuple):
    """What was tried at one end of a path, its fit, and ln odds, priors included."""

    tried: Tried
    fit: Fit
    log_odds: float


Found = Sequence[Judged]
"""All that was tried at one end."""


def likeliest(found: Found) -> Judged:
    """Return the likeliest of all that was tried."""
    return max(found, key=lambda one: one.log_odds)


def search(errors: Errors, tried: list[Tried], low_ends: list[Tried]) -> tuple[Found, Found]:
    """Fit every set of low-passes, and every low end."""
    single = [one for one in tried if len(one.chain) < 2]
    low = _low_passes(errors, single, low_ends[0].chain, None)
    best = likeliest(_low_ends(errors, low_ends, low))
    low = _low_passes(errors, tried, best.tried.chain, best.fit)
    return low, _low_ends(errors, low_ends, low)


def _low_passes(errors: Errors, tried: list[Tried], end: Chain, like: Fit | None) -> Found:
    """Fit low-passes with one low end, from its parameters in a fit that has it."""
    ripple = len(errors.whiten) // 2 if like is None else _ripple_of(like, errors)
    size, fits = priors(end)[0].size, []
    given = {} if like is None else dict(enumerate(like.parameters[:size].tolist()))
    for one in tried:
        corners = dict(enumerate(_corner_starts(one.chain, errors.seen), start=size))
        both = [fit_chain((*end, *one.chain), errors, ripple, given | corners)]
        if given and any(part.spread < _STATED for part in one.chain):  # no trap of others'
            both.append(fit_chain((*end, *one.chain), errors, ripple, corners))
        fits.append(min(both, key=lambda fit: errors.misfit(fit, ripple)))
    return _judged(errors, tried, fits, ripple)


def _low_ends(errors: Errors, tried: list[Tried], low: Found) -> Found:
    """Fit low ends with the likeliest low-passes, from their corners."""
    best, fits = likeliest(low), []
    ripple, chain = _ripple_of(best.fit, errors), best.tried.chain
    corners = best.fit.parameters[best.fit.parameters.size - len(chain) :].tolist()
    for one in tried:
        start = dict(enumerate(corners, start=priors(one.chain)[0].size))
        fits.append(fit_chain((*one.chain, *chain), errors, ripple, start))
    return _judged(errors, tried, fits, ripple)


def _ripple_of(fit: Fit, errors: Errors) -> int:
    """Return the likeliest ripple of what a chain must leave: fitted once more with the least.

    With a large one a poor fit leaves what looks like a large ripple.
    """
    start = dict(enumerate(fit.parameters.tolist()))
    return errors.likeliest(fit_chain(fit.chain, errors, 0, start).left_db)


def _judged(errors: Errors, tried: list[Tried], fits: list[Fit], ripple: int) -> Found:
    """Return fits with ln evidence and prior; far worse ones by one ripple alone are given up."""
    quick, found = [errors.misfit(fit, ripple) for fit in fits], []
    for one, fit, misfit in zip(tried, fits, quick, strict=True):
        told = misfit < min(quick) + _HOPELESS
        odds = errors.evidence(fit) + math.log(one.prior) if told else -math.inf
        found.append(Judged(one, fit, odds))
    return found


def _corner_starts(low_passes: Chain, seen: Observation) -> list[float]:
    """Return ln corners with which the low-passes are 8 dB down where the response is."""
    peak = int(np.argmax(seen.level_db))
    fallen = np.flatnonzero(seen.level_db[peak:] < -_START_FALL_DB)
    place = seen.frequencies[peak + fallen[0]] if fallen.size else 1.3 * seen.frequencies[-1]
    starts = []
    for number, part in enumerate(low_passes):
        copies = sum(count for _, count in part.orders)
        order = max(order for order, _ in part.orders)
        fall = 10.0 ** (_START_FALL_DB / copies / 10.0) - 1.0
        at = math.log(place) - math.log(fall) / (2.0 * order) + 0.3 * number
        starts.append(at if part.spread > _STATED else math.log(part.corner))
    return starts
