"""Which filters are really engaged, read from a response of the subwoofer's path.

Conventions
-----------
Levels in dB, frequencies in Hz. A response is that of the path itself: electrical, or taken by a
microphone close to the cone, with box, coil and microphone in it. At a seat the room's modes leave
little: only what contradicts a description is told there, and a range. An answer is given only
where one response is at least `ANSWER_PROBABILITY` likely.

From fits to what may be said: filters that the data show, what is the same, what is described.

Low-passes are told by their pieces: Butterworth order and corner in Hz of each, sorted. A piece is
shown only if its corner lies well inside the data and its loss would change the level that is seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations, groupby
from typing import Any

import numpy as np

from roomeq.base.levels import power_mean_db, require_one_of
from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.path import PathAnalysis, predict_path
from roomeq.optimiser.path.estimate import (
    HighPassFinding,
    PathCandidate,
    PathEstimate,
    PathVerdict,
    Taken,
)
from roomeq.optimiser.path.hypotheses import (
    Chain,
    class_ways,
    levels_of,
    priors,
    tried_low_ends,
    tried_low_passes,
)
from roomeq.optimiser.path.observation import Observation, observe
from roomeq.optimiser.path.search import Errors, Fit, Found, likeliest, search

EDGE = 2.0**0.4
"""So far from the end of the data a corner has to lie to be named: 0.4 octave."""

_SEEN_DB = 1.0
_SAME_CORNER = 0.1
_LISTED, _NEGLIGIBLE = 0.02, 1e-5
_CONTRADICTED = 0.005
# Chosen on seeds 9000 to 9041 of bench_path.py. On 300 cases of seed 301 what was named was 97.5 %
# likely and right in 95.7 % (92 to 98); 0 of 111 true descriptions were contradicted.
_TEMPERATURE, _HIGH_PASS_TEMPERATURE = 1.15, 1.5

Pieces = tuple[tuple[int, float], ...]
Told = list[tuple[Pieces, float]]


def told_pieces(found: Found, errors: Errors, *, highest: float, near: bool) -> Told:
    """Return what the data show, likeliest first, with probabilities; what is the same added up.

    Parameters
    ----------
    found : sequence of Judged
        Fits of every set of low-passes.
    errors : Errors
    highest : float
        Hz: corners above are not named.
    near : bool
        Whether the probability is that of the corners within a tenth as well.
    """
    told = []
    weighed = zip(found, _probabilities(found, _TEMPERATURE), strict=True)
    for one, weight in sorted(weighed, key=lambda pair: -pair[1]):
        if weight < _NEGLIGIBLE:
            break
        pieces, sure = _pieces(one.fit, one.tried.chain, errors, highest)
        told.append((pieces, weight * (sure if near else 1.0)))
    return _added_up(told)


def _added_up(told: Told) -> Told:
    """Return what is the same once, its probabilities added up, the likeliest first."""
    found: Told = []
    for pieces, weight in told:
        same = next((n for n, (other, _) in enumerate(found) if _same(other, pieces)), None)
        if same is None:
            found.append((pieces, weight))
        else:
            found[same] = (found[same][0], found[same][1] + weight)
    return sorted(found, key=lambda one: -one[1])


def _probabilities(found: Found, temperature: float) -> list[float]:
    most = likeliest(found).log_odds
    odds = np.exp([(one.log_odds - most) / temperature for one in found])
    return list((odds / odds.sum()).tolist())


def _pieces(fit: Fit, low_passes: Chain, errors: Errors, highest: float) -> tuple[Pieces, float]:
    """Return the low-passes of a fit that show, and how likely their corners are within a tenth."""
    seen, near = errors.seen, 1.0
    levels = levels_of(fit.chain, seen.frequencies, seen.noise_db)
    found: list[tuple[int, float]] = []
    spreads = errors.parameter_spreads(fit) if low_passes else np.zeros(0)
    for place, part in enumerate(low_passes, start=fit.parameters.size - len(low_passes)):
        corner = float(np.exp(fit.parameters[place]))
        away = fit.parameters.copy()
        away[place] += 10.0
        change_db = np.abs(levels(away)[0] - (seen.level_db - fit.left_db)).max()
        if corner > highest or change_db < _SEEN_DB:
            continue
        near *= _near(spreads[place])
        for order, copies in part.orders:
            found += [(order, corner)] * copies
    return tuple(sorted(found)), near


def _near(spread: float) -> float:
    """Return how likely a corner is within a tenth, by the standard deviation of its logarithm."""
    return math.erf(_SAME_CORNER / (math.sqrt(2.0) * spread))


def _same(first: Pieces, second: Pieces) -> bool:
    return len(first) == len(second) and all(
        a[0] == b[0] and abs(np.log(a[1] / b[1])) <= _SAME_CORNER
        for a, b in zip(first, second, strict=True)
    )


def _pieces_of(filters: Sequence[CrossoverFilter]) -> Pieces:
    return tuple(sorted((n, one.corner) for one in filters for n in one.butterworth_orders))


def path_candidates(
    told: Told, described: tuple[CrossoverFilter, ...]
) -> tuple[PathCandidate, ...]:
    """Return what is likely enough to be listed, in the words of the description where it fits."""
    low = [index for index, one in enumerate(described) if one.kind == "low_pass"]
    choices = [c for count in range(len(low) + 1) for c in combinations(low, count)]
    found: list[PathCandidate] = []
    for pieces, probability in told:
        if found and probability < _LISTED:
            break
        engaged = tuple(
            c for c in choices if low and _same(_pieces_of([described[i] for i in c]), pieces)
        )
        ways = tuple(tuple(described[i] for i in c) for c in engaged) or _ways(pieces)
        found.append(PathCandidate(probability=probability, ways=ways, engaged=engaged))
    return tuple(found)


def _ways(pieces: Pieces) -> tuple[tuple[CrossoverFilter, ...], ...]:
    """Return every set of filters for pieces of one kind; one set where there are several."""
    parts = [
        class_ways(order, len(list(group)), round(corner, 1))
        for (order, corner), group in groupby(pieces)
    ]
    if len(parts) == 1:
        return parts[0]
    return (tuple(sorted((f for part in parts for f in part[0]), key=lambda f: f.corner)),)


def judge_description(
    told: Told,
    found: Found,
    errors: Errors,
    low_passes: Sequence[CrossoverFilter],
    *,
    highest: float,
    sure: float,
) -> bool | None:
    """Return whether the described low-passes are what the data show; None if that is not sure.

    It is not where one of them would lie at the edge of the data or be buried by noise or by the
    others; without it the others may still be contradicted.
    """
    wanted: Pieces = ()
    if low_passes:
        tried, fit, _ = next(one for one in found if one.tried.whole)
        wanted, _ = _pieces(fit, tried.chain, errors, highest)
        moved = (fit.parameters - priors(fit.chain)[0])[-len(tried.chain) :]
        if np.abs(moved).max() > _SAME_CORNER:
            wanted = _pieces_of([one for one in low_passes if one.corner <= highest])
    judged = _judged(sum(weight for pieces, weight in told if _same(pieces, wanted)), sure)
    return None if judged and len(wanted) < len(_pieces_of(low_passes)) else judged


def _judged(likely: float, sure: float) -> bool | None:
    if likely < _CONTRADICTED:
        return False
    return True if likely >= sure else None


def judge_high_pass(
    found: Found, errors: Errors, described: Sequence[CrossoverFilter], *, sure: float
) -> HighPassFinding:
    """Return the likeliest protective high-pass; near the lower end of the data none is told."""
    lowest = float(errors.seen.frequencies[0]) * EDGE
    told = []
    weights = _probabilities(found, _HIGH_PASS_TEMPERATURE)
    for (tried, fit, _), weight in zip(found, weights, strict=True):
        pieces: Pieces = ()
        if tried.high_pass is not None:
            place = priors(tried.chain)[0].size - 1
            corner = float(np.exp(fit.parameters[place]))
            order, copies = tried.high_pass.orders[0]
            if corner >= lowest:
                pieces = ((order, round(corner, 1)),) * copies
                weight *= _near(errors.parameter_spreads(fit)[place])
        told.append((pieces, weight))
    likely = _added_up(told)
    best, probability = likely[0]
    one = None
    if best and probability >= sure:
        order, corner = best[0]
        one = class_ways(order, len(best), corner, "high_pass")[0][0]
    wanted = _pieces_of([one for one in described if one.corner >= lowest])
    agreeing = sum(weight for pieces, weight in likely if _same(pieces, wanted))
    return HighPassFinding(
        probability=min(probability, 1.0),
        filter=one,
        as_described=_judged(agreeing, sure) if len(set(wanted)) == 1 else None,
    )


ANSWER_PROBABILITY = 0.85
"""Below it the answer is "cannot tell"."""

_LARGEST_MISFIT_DB = 1.5
_SCATTER: dict[str, dict[str, Any]] = {
    "close": {
        "drift_db": 0.5,
        "ripples_db": (0.05, 0.15, 0.4, 1.0, 2.5),
        "lengths": (0.15, 0.6),
        "least_db": 0.03,
    },
    "seat": {"drift_db": 2.5, "ripples_db": (3.0, 5.0), "lengths": (0.15,), "least_db": 0.5},
}


def estimate_path(
    response: FrequencyResponse,
    *,
    taken: Taken = "close",
    described: Sequence[CrossoverFilter] | None = None,
    protection: CrossoverFilter | None = None,
    mains: Sequence[CrossoverFilter] | None = None,
    fixed: Sequence[int] = (),
    lower_limit: float | None = None,
) -> PathEstimate:
    """Tell which low-passes, and which protective high-pass, are in a response of the path.

    Every single filter of 6 to 48 dB per octave, the same one twice, two corners, and every choice
    of what is described is fitted together with a box, with what nobody states (a coil that falls
    at the top, a microphone or a coupling that falls at the bottom, a smooth drift) and with ripple
    of unknown size. Evidence and priors give probabilities. Levels alone are judged.

    Parameters
    ----------
    response : FrequencyResponse
        Narrow-band. Several of them (seats) are allowed with `taken` "seat" and power-averaged.
    taken : {"electrical", "close", "seat"}
        At the amplifier's terminals, close to the cone, or somewhere in the room.
    described : sequence of CrossoverFilter, optional
        Filters that are said to be in the path; empty if there are said to be none, None if nothing
        is said.
    protection : CrossoverFilter, optional
        The protective high-pass that is said to be engaged.
    mains : sequence of CrossoverFilter, optional
        High-passes of the mains, for the sum; see `roomeq.device.path.predict_path`.
    fixed : sequence of int
        Positions of described low-passes that cannot be bypassed.
    lower_limit : float, optional
        Hz, where the subwoofer itself is 6 dB down.

    Returns
    -------
    PathEstimate

    Raises
    ------
    ValueError
        If a response is not usable, or `taken` is not one of these.
    """
    require_one_of(taken, Taken, "taken")
    in_room = taken == "seat"
    if in_room and response.stored.ndim == 2:
        levels_db = power_mean_db(response.level_db)
        response = FrequencyResponse.from_level(response.frequencies, levels_db)
    seen, given = observe(response), tuple(described or ())
    low = tuple(one for one in given if one.kind == "low_pass")
    stated = given if protection is None else (*given, protection)
    high = tuple(one for one in stated if one.kind == "high_pass" and one.where.lower() != "box")
    errors = Errors(seen, **_SCATTER["seat" if in_room else "close"])
    ends = tried_low_ends(
        high,
        box=taken != "electrical",
        told=not in_room,
        limit=lower_limit,
    )
    found, found_ends = search(errors, tried_low_passes(low, pairs=not in_room), ends)
    highest = float(seen.frequencies[-1]) / EDGE
    told = told_pieces(found, errors, highest=highest, near=not in_room)
    candidates = path_candidates(told, given)
    misfit_db = _misfit_db(likeliest(found).fit, seen)
    verdict = PathVerdict.IN_ROOM if in_room else _verdict(candidates, misfit_db)
    sure = 2.0 if in_room else ANSWER_PROBABILITY  # what a seat shows confirms nothing
    judged = judge_description(told, found, errors, low, highest=highest, sure=sure)
    high_pass = judge_high_pass(found_ends, errors, high, sure=ANSWER_PROBABILITY)
    return PathEstimate(
        verdict=verdict,
        taken=taken,
        candidates=candidates,
        described=None if described is None else given,
        as_described=None if described is None else judged,
        high_pass=None if in_room else high_pass,
        highest=highest,
        signal_to_noise_db=seen.signal_to_noise_db,
        misfit_db=misfit_db,
        fall_seen_db=seen.fall_seen_db,
        analysis=_analysis(verdict, candidates[0], high, mains=mains, fixed=fixed),
    )


def _misfit_db(fit: Fit, seen: Observation) -> float:
    """Return what is left of the level where it stands well out of noise, root mean square."""
    clear = seen.level_db > np.maximum(-20.0, seen.noise_db + 12.0)
    return float(np.sqrt(np.mean(fit.left_db[clear] ** 2))) if clear.any() else 0.0


def _verdict(candidates: tuple[PathCandidate, ...], misfit_db: float) -> PathVerdict:
    if misfit_db > _LARGEST_MISFIT_DB:
        return PathVerdict.NOTHING_FITS
    likely = candidates[0].probability >= ANSWER_PROBABILITY
    return PathVerdict.IDENTIFIED if likely else PathVerdict.SEVERAL


def _analysis(
    verdict: PathVerdict,
    best: PathCandidate,
    high: tuple[CrossoverFilter, ...],
    *,
    mains: Sequence[CrossoverFilter] | None,
    fixed: Sequence[int],
) -> PathAnalysis | None:
    if verdict is not PathVerdict.IDENTIFIED or len(best.filters) < 2:
        return None
    engaged = best.engaged[0] if best.engaged else ()
    held = [place for place, position in enumerate(engaged) if position in fixed]
    return predict_path((*best.filters, *high), mains=mains, fixed=held)
