"""Fits of all that is tried: low-passes with one low end, low ends with one set of low-passes.

Conventions
-----------
What happens at the top of a response hardly depends on what is taken for its bottom, so that the
two are told apart in turn: low-passes with a plain box, low ends with the likeliest low-passes,
low-passes with the likeliest low end, and so on once more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.optimiser.path.evidence import Errors, Fit, fit_chain
from roomeq.optimiser.path.hypotheses import LowEnd, Tried
from roomeq.optimiser.path.model import Chain
from roomeq.optimiser.path.observation import Observation

_START_FALL_DB = 8.0
_STATED = 0.1  # corners that are stated have less spread than that
_HOPELESS = 30.0  # in ln of a likelihood


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Search:
    """Fits and ln odds, priors included.

    Attributes
    ----------
    fits, log_odds : list of Fit, ndarray
        Of every set of low-passes.
    low_ends, high_fits, high_odds : list of LowEnd, list of Fit, ndarray
        Of every low end.
    """

    fits: list[Fit]
    low_passes: list[int]
    whole: int
    log_odds: FloatArray
    low_ends: list[LowEnd]
    high_fits: list[Fit]
    high_odds: FloatArray


def search(errors: Errors, tried: list[Tried], low_ends: list[LowEnd]) -> Search:
    """Fit every set of low-passes, and every low end."""
    single = [one for one in tried if len(one.groups) < 2]
    best = _best_low_passes(errors, single, low_ends[0].chain, None)
    for every in (single, tried):
        ends = _best_low_ends(errors, low_ends, best)
        best = _best_low_passes(errors, every, low_ends[ends.best].chain, ends.likely)
    ends = _best_low_ends(errors, low_ends, best)
    return Search(
        fits=best.fits,
        low_passes=[len(one.groups) for one in tried],
        whole=next((at for at, one in enumerate(tried) if one.whole), 0),
        log_odds=best.log_odds,
        low_ends=low_ends,
        high_fits=ends.fits,
        high_odds=ends.log_odds,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Stage:
    """Fits of all low-passes or of all low ends, with ln odds; what the low-passes were."""

    fits: list[Fit]
    log_odds: FloatArray
    tried: list[Tried]

    @property
    def best(self) -> int:
        return int(np.argmax(self.log_odds))

    @property
    def likely(self) -> Fit:
        return self.fits[self.best]


def _best_low_passes(errors: Errors, tried: list[Tried], chain: Chain, like: Fit | None) -> _Stage:
    """Fit low-passes with one low end, from its parameters in a fit that has it."""
    ripple = len(errors.whiten) // 2 if like is None else _ripple_of(like, errors)
    size, fits = len(chain.centre), []
    given = {} if like is None else dict(enumerate(like.parameters[:size].tolist()))
    for one in tried:
        corners = {size + at: value for at, value in enumerate(_corner_starts(one, errors.seen))}
        both = [fit_chain(_with(chain, one), errors, ripple, given | corners)]
        if given and any(group.spread < _STATED for group in one.groups):
            both.append(fit_chain(_with(chain, one), errors, ripple, corners))  # no trap of others'
        fits.append(min(both, key=lambda fit: errors.misfit(fit, ripple)))
    return _Stage(fits, _odds(errors, fits, [one.prior for one in tried], ripple), tried)


def _best_low_ends(errors: Errors, low_ends: list[LowEnd], low: _Stage) -> _Stage:
    """Fit low ends with the likeliest low-passes, from their corners."""
    ripple, one, fits = _ripple_of(low.likely, errors), low.tried[low.best], []
    corners = low.likely.parameters[low.likely.parameters.size - len(one.groups) :].tolist()
    for end in low_ends:
        size = len(end.chain.centre)
        start = {size + at: value for at, value in enumerate(corners)}
        fits.append(fit_chain(_with(end.chain, one), errors, ripple, start))
    return _Stage(fits, _odds(errors, fits, [end.prior for end in low_ends], ripple), [one])


def _ripple_of(fit: Fit, errors: Errors) -> int:
    """Return the likeliest ripple of what a chain must leave: fitted once more with the least.

    With a large one a poor fit leaves what looks like a large ripple.
    """
    start = dict(enumerate(fit.parameters.tolist()))
    return errors.likeliest(fit_chain(fit.chain, errors, 0, start).left_db)


def _odds(errors: Errors, fits: list[Fit], priors: list[float], ripple: int) -> FloatArray:
    """Return ln evidence and prior; far worse ones by one ripple alone are given up."""
    quick = np.array([errors.misfit(fit, ripple) for fit in fits])
    odds = np.full(len(fits), -np.inf)
    for index in np.flatnonzero(quick < quick.min() + _HOPELESS):
        odds[index] = errors.evidence(fits[index]) + math.log(priors[index])
    return odds


def _with(chain: Chain, one: Tried) -> Chain:
    for group in one.groups:
        chain = chain.with_filter(group.orders, corner=group.corner, spread=group.spread)
    return chain


def _corner_starts(one: Tried, seen: Observation) -> list[float]:
    """Return ln corners with which the low-passes are 8 dB down where the response is."""
    peak = int(np.argmax(seen.level_db))
    fallen = np.flatnonzero(seen.level_db[peak:] < -_START_FALL_DB)
    place = seen.frequencies[peak + fallen[0]] if fallen.size else 1.3 * seen.frequencies[-1]
    starts = []
    for number, group in enumerate(one.groups):
        copies = sum(count for _, count in group.orders)
        order = max(order for order, _ in group.orders)
        fall = 10.0 ** (_START_FALL_DB / copies / 10.0) - 1.0
        at = math.log(place) - math.log(fall) / (2.0 * order) + 0.3 * number
        starts.append(at if group.spread > _STATED else math.log(group.corner))
    return starts
