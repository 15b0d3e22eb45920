"""Which low-passes are really engaged, read from a response of the subwoofer's path.

Conventions
-----------
Levels in dB, frequencies in Hz. The response is that of the path itself: electrical, or taken by a
microphone close to the cone, with the driver's own roll-off in it. Of a response taken at a seat
the room's modes leave too little; what can be said then is a range. An answer is given only where
one class of filters is at least `ANSWER_PROBABILITY` likely; else several are listed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import get_args

import numpy as np

from roomeq.base.levels import FloatArray, amplitude_ratio, amplitude_ratio_db, level_mean_db
from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.device.path import PathAnalysis, predict_path
from roomeq.optimiser.path.classes import (
    LowPassClass,
    TriedPath,
    equal_choices,
    tried_pairs,
    tried_paths,
    tried_with_coil,
)
from roomeq.optimiser.path.estimate import PathCandidate, PathEstimate, PathVerdict, Taken
from roomeq.optimiser.path.fit import HypothesisFits, fit_hypotheses
from roomeq.optimiser.path.observation import Observation, observe, rice_mean
from roomeq.optimiser.path.starts import DRIVER_ORDERS

__all__ = ["ANSWER_PROBABILITY", "estimate_path"]

ANSWER_PROBABILITY = 0.85
"""Below it the answer is "cannot tell"."""

_MODEL_ERROR_DB: dict[str, float] = {"electrical": 0.1, "close": 0.1, "seat": 4.0}
_LARGEST_MISFIT_DB = 1.0
_LISTED_PROBABILITY = 0.02
_DESCRIBED_ODDS = 100.0  # a described path is given up only for something so much likelier
_REFERENCE_SPAN_DB = 25.0
_PHASE_MISFIT = 4.0
_PAIR_MISFIT = 1.3


def estimate_path(
    response: FrequencyResponse,
    *,
    taken: Taken = "close",
    described: Sequence[CrossoverFilter] = (),
    mains: Sequence[CrossoverFilter] | None = None,
    fixed: Sequence[int] = (),
    reference: FrequencyResponse | None = None,
) -> PathEstimate:
    """Tell which low-passes are engaged from a response of the subwoofer's path.

    Every class of one filter, the same one twice, or a Linkwitz-Riley filter with its half is
    fitted together with the driver's roll-off, level, polarity and delay; likelihoods of the
    residuals, tempered where these are larger than noise or hang together, give probabilities
    (Laplace's approximation). Two low-passes with different corners are tried where they are
    described, and where nothing else leaves noise alone.

    Parameters
    ----------
    response : FrequencyResponse
        Narrow-band and not smoothed before: smoothing hides how much noise there is, and answers
        at low signal-to-noise ratio are then less sure than they say. Several of them (seats)
        are allowed with `taken` "seat" and level-averaged.
    taken : {"electrical", "close", "seat"}
        At the amplifier's terminals, close to the cone, or somewhere in the room.
    described : sequence of CrossoverFilter
        Filters that may be in the path. Of its low-passes every choice is tried, corners within
        about 3 %; its high-passes are taken to be engaged.
    mains : sequence of CrossoverFilter, optional
        High-passes of the mains, for the sum; see `roomeq.device.path.predict_path`.
    fixed : sequence of int
        Positions of described low-passes that cannot be bypassed.
    reference : FrequencyResponse, optional
        The same place with every low-pass bypassed and nothing else changed: the ratio holds the
        low-passes alone, even at a seat.

    Returns
    -------
    PathEstimate

    Raises
    ------
    ValueError
        If a response is not usable, or `taken` is not one of these.
    """
    if taken not in get_args(Taken):
        raise ValueError(f"taken is one of {get_args(Taken)}, got {taken!r}")
    given = tuple(described)
    alone = reference is not None
    if reference is not None:
        response = _ratio(response, reference)
        taken = "close"
    elif taken == "seat" and response.stored.ndim == 2:
        response = FrequencyResponse.from_level(
            response.frequencies, level_mean_db(response.level_db)
        )
    seen = observe(response)
    tried = tried_paths(given)
    fits, phase_used = _fits(seen, tried, given, taken=taken, alone=alone)
    log_odds = _log_odds(fits, tried, seen)
    if taken != "seat" and _pairs_wanted(fits, tried, log_odds, seen):
        coils = tried_with_coil(tried) if taken == "close" and not alone else []
        orders = (int(fits.driver_order[int(np.argmax(log_odds))]),)  # settled by now
        tried = [*tried, *tried_pairs(), *coils]
        fits, phase_used = _fits(seen, tried, given, taken=taken, alone=alone, orders=orders)
        log_odds = _log_odds(fits, tried, seen)
    as_described = None
    if any(entry.kind == "low_pass" for entry in given):
        as_described = _described_explains(log_odds, tried)
        wanted = np.array([(entry.positions is not None) == as_described for entry in tried])
        log_odds = np.where(wanted, log_odds, -np.inf)
    probability = _probability(log_odds, tried)
    best = int(np.argmax(probability))
    candidates = _candidates(probability, fits, tried, given)
    misfit_db = _misfit_db(seen, fits, best)
    verdict = _verdict(candidates, misfit_db, taken)
    return PathEstimate(
        verdict=verdict,
        taken=taken,
        candidates=candidates,
        described=given,
        as_described=as_described,
        phase_used=phase_used,
        signal_to_noise_db=seen.signal_to_noise_db,
        misfit_db=misfit_db,
        fall_seen_db=_fall_seen_db(seen),
        **_levels(seen, fits, tried, best),
        analysis=_analysis(verdict, candidates[0], given, mains=mains, fixed=fixed),
    )


def _pairs_wanted(
    fits: HypothesisFits, tried: list[TriedPath], log_odds: FloatArray, seen: Observation
) -> bool:
    """Return whether what fits best leaves more than noise: two corners may be behind it."""
    described = any(entry.positions is not None for entry in tried)
    if described and _described_explains(log_odds, tried):
        return False
    return _tempering(fits, seen) > _PAIR_MISFIT


def _verdict(candidates: tuple[PathCandidate, ...], misfit_db: float, taken: Taken) -> PathVerdict:
    if taken == "seat":
        return PathVerdict.IN_ROOM
    if misfit_db > _LARGEST_MISFIT_DB:
        return PathVerdict.NOTHING_FITS
    likely = candidates[0].probability >= ANSWER_PROBABILITY
    return PathVerdict.IDENTIFIED if likely else PathVerdict.SEVERAL


def _analysis(
    verdict: PathVerdict,
    best: PathCandidate,
    described: tuple[CrossoverFilter, ...],
    *,
    mains: Sequence[CrossoverFilter] | None,
    fixed: Sequence[int],
) -> PathAnalysis | None:
    if verdict is not PathVerdict.IDENTIFIED or len(best.filters) < 2:
        return None
    held: list[int] = []
    if best.engaged:
        held = [place for place, position in enumerate(best.engaged[0]) if position in fixed]
    return predict_path((*best.filters, *_high_passes(described)), mains=mains, fixed=held)


def _levels(
    seen: Observation, fits: HypothesisFits, tried: list[TriedPath], best: int
) -> dict[str, FloatArray]:
    """Return the curves of an estimate; of the total low-pass what was measured, not the fit."""
    hypothesis = tried[best].hypothesis
    poles, number = hypothesis.poles, np.arange(hypothesis.poles.size)
    higher = number >= hypothesis.poles.size - hypothesis.higher
    corners = np.where(higher, fits.higher_corner[best], fits.corner[best])
    s = 1j * seen.frequencies[:, np.newaxis] / corners
    low_pass_db = -amplitude_ratio_db(np.prod(np.abs(1.0 - s / poles), axis=-1))
    measured_db = amplitude_ratio_db(seen.amplitude)
    fitted_db = amplitude_ratio_db(fits.model[best])
    return {
        "frequencies": seen.frequencies,
        "measured_level_db": measured_db + seen.reference_db,
        "fitted_level_db": fitted_db + seen.reference_db,
        "low_pass_level_db": measured_db - (fitted_db - low_pass_db),
    }


def _fall_seen_db(seen: Observation) -> float:
    peak = int(np.argmax(seen.amplitude))
    noise = seen.noise[peak:] / np.sqrt(seen.counts[peak:])
    least = float(np.maximum(seen.amplitude[peak:], noise).min())
    return float(-amplitude_ratio_db(least))


def _high_passes(described: tuple[CrossoverFilter, ...]) -> tuple[CrossoverFilter, ...]:
    """Return the electrical high-passes: the box is the driver's roll-off and fitted."""
    return tuple(e for e in described if e.kind == "high_pass" and e.where.lower() != "box")


def _ratio(response: FrequencyResponse, reference: FrequencyResponse) -> FrequencyResponse:
    """Return response over reference where the reference is strong enough to divide by."""
    if response.stored.ndim != 1 or not np.array_equal(response.frequencies, reference.frequencies):
        raise ValueError("response and reference must be single and share their frequencies")
    strong = reference.level_db >= reference.level_db.max() - _REFERENCE_SPAN_DB
    axis = response.frequencies[strong]
    if response.has_phase and reference.has_phase:
        return FrequencyResponse.from_pressure(
            axis, response.pressure[strong] / reference.pressure[strong]
        )
    return FrequencyResponse.from_level(axis, (response.level_db - reference.level_db)[strong])


def _fits(
    seen: Observation,
    tried: list[TriedPath],
    described: tuple[CrossoverFilter, ...],
    *,
    taken: Taken,
    alone: bool,
    orders: Sequence[int] = DRIVER_ORDERS,
) -> tuple[HypothesisFits, bool]:
    """Return the fits, and whether they are of level and phase or, where that misleads, level."""
    high = () if alone else _high_passes(described)
    known = chain_response(high, seen.frequencies) if high else None

    def fitted(use_phase: bool) -> HypothesisFits:
        return fit_hypotheses(
            seen,
            [entry.hypothesis for entry in tried],
            use_phase=use_phase,
            model_error_db=_MODEL_ERROR_DB[taken],
            known=known,
            driver_orders=(0,) if alone else orders,
        )

    if seen.pressure is None or taken == "seat":
        return fitted(False), False
    with_phase = fitted(True)
    if _tempering(with_phase, seen) <= _PHASE_MISFIT:
        return with_phase, True
    level_only = fitted(False)
    if _tempering(level_only, seen) < 0.5 * _tempering(with_phase, seen):
        return level_only, False
    return with_phase, True


def _tempering(fits: HypothesisFits, seen: Observation) -> float:
    """Return by how much residuals overstate what they tell: too large, or hanging together.

    Each beyond two standard errors, so that noise alone is seldom held against the answer.
    """
    best = int(np.argmin(fits.squares + fits.penalty))
    left = fits.residuals[best].reshape(-1, seen.frequencies.size)
    freedom = max(left.size - 6, 1)
    reduced = float((left**2).sum()) / freedom
    neighbours = float((left[:, 1:] * left[:, :-1]).sum()) / max(float((left**2).sum()), 1e-12)
    together = min(max(neighbours - 2.0 / np.sqrt(left.size), 0.0), 0.95)
    beyond_chance = max(1.0, reduced - 2.0 * np.sqrt(2.0 / freedom))
    return float(beyond_chance * (1.0 + together) / (1.0 - together))


def _log_odds(fits: HypothesisFits, tried: list[TriedPath], seen: Observation) -> FloatArray:
    prior = np.log([entry.prior for entry in tried])
    tempered = fits.squares / _tempering(fits, seen)
    return np.asarray(prior - 0.5 * (tempered + fits.penalty))


def _described_explains(log_odds: FloatArray, tried: list[TriedPath]) -> bool:
    is_described = np.array([entry.positions is not None for entry in tried])
    best_described = float(log_odds[is_described].max())
    return bool(best_described >= log_odds[~is_described].max() - np.log(_DESCRIBED_ODDS))


def _probability(log_odds: FloatArray, tried: list[TriedPath]) -> FloatArray:
    """Return how likely each is; what stands for the same is added up at the likeliest of it."""
    single = np.exp(log_odds - log_odds.max())
    single /= single.sum()
    found = np.zeros(single.size)
    first: dict[tuple[object, ...], int] = {}
    for index in np.argsort(-single):
        found[first.setdefault(tried[index].name, int(index))] += single[index]
    return found


def _candidates(
    probability: FloatArray,
    fits: HypothesisFits,
    tried: list[TriedPath],
    described: tuple[CrossoverFilter, ...],
) -> tuple[PathCandidate, ...]:
    found: list[PathCandidate] = []
    for index in np.argsort(-probability):
        if found and probability[index] < _LISTED_PROBABILITY:
            break
        entry = tried[index]
        corner = float(fits.corner[index])
        low_pass = None
        if entry.key is not None:
            low_pass = LowPassClass(
                butterworth_order=entry.key[0], copies=entry.key[1], corner=corner
            )
        filters = () if low_pass is None else replace(low_pass, corner=round(corner, 1)).filters
        if entry.pair:
            corners = (round(corner, 1), round(float(fits.higher_corner[index]), 1))
            filters = tuple(
                replace(one.filters[0], corner=own)
                for one, own in zip(entry.pair, corners, strict=True)
            )
        engaged: tuple[tuple[int, ...], ...] = ()
        if entry.positions is not None:
            engaged = equal_choices(entry.positions, described)
            filters = tuple(described[i] for i in engaged[0])
        found.append(
            PathCandidate(
                probability=float(probability[index]),
                filters=filters,
                low_pass=low_pass,
                engaged=engaged,
                corner=corner,
                order=sum(one.order for one in filters),
                driver_order=int(fits.driver_order[index]),
            )
        )
    return tuple(found)


def _misfit_db(seen: Observation, fits: HypothesisFits, index: int) -> float:
    """Return what is left of the level where it stands well out of noise, less the noise's share.

    Down to 20 dB below the largest level.
    """
    single = seen.noise * fits.noise_factor[index]
    noise = single / np.sqrt(seen.counts)
    clear = (seen.amplitude >= amplitude_ratio(-20.0)) & (seen.amplitude >= 4.0 * noise)
    if not clear.any():
        return 0.0
    model, _ = rice_mean(np.abs(fits.model[index]), single)
    left_db = (amplitude_ratio_db(seen.amplitude) - amplitude_ratio_db(model))[clear]
    share_db = (amplitude_ratio_db(1.0 + noise / np.sqrt(2.0) / seen.amplitude))[clear]
    chance = 1.0 + 2.0 * np.sqrt(2.0 / left_db.size)  # two standard errors of a mean square
    excess = float(np.mean(left_db**2) - chance * np.mean(share_db**2))
    return float(np.sqrt(max(excess, 0.0)))
