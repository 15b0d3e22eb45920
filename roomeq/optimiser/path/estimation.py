"""Which filters are really engaged, read from a response of the subwoofer's path.

Conventions
-----------
Levels in dB, frequencies in Hz. A response is that of the path itself: electrical, or taken by a
microphone close to the cone, with box, coil and microphone in it. At a seat the room's modes leave
little: only what contradicts a description is told there, and a range. An answer is given only
where one response is at least `ANSWER_PROBABILITY` likely.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, get_args

import numpy as np

from roomeq.base.levels import amplitude_ratio, power_mean_db
from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.path import PathAnalysis, predict_path
from roomeq.optimiser.path.estimate import PathCandidate, PathEstimate, PathVerdict, Taken
from roomeq.optimiser.path.evidence import Errors, Fit
from roomeq.optimiser.path.hypotheses import tried_low_ends, tried_low_passes
from roomeq.optimiser.path.observation import Observation, noise_power, observe
from roomeq.optimiser.path.search import search
from roomeq.optimiser.path.telling import (
    EDGE,
    judge_description,
    judge_high_pass,
    path_candidates,
    told_pieces,
)

ANSWER_PROBABILITY = 0.85
"""Below it the answer is "cannot tell"."""

_LARGEST_MISFIT_DB = 1.5
_REFERENCE_SPAN_DB = 25.0
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
    reference: FrequencyResponse | None = None,
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
    reference : FrequencyResponse, optional
        The same place with every low-pass bypassed and nothing else changed: the ratio holds the
        low-passes alone, even at a seat.
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
    if taken not in get_args(Taken):
        raise ValueError(f"taken is one of {get_args(Taken)}, got {taken!r}")
    in_room, alone = taken == "seat" and reference is None, reference is not None
    seen = observe(_single(response, reference, averaged=in_room))
    given = tuple(described or ())
    low = tuple(one for one in given if one.kind == "low_pass")
    high = _high_passes((*given, *([protection] if protection else [])))
    errors = Errors(seen, **_SCATTER["seat" if in_room else "close"])
    ends = tried_low_ends(
        high,
        box=not alone and taken != "electrical",
        told=not in_room and not alone,
        limit=lower_limit,
    )
    found = search(errors, tried_low_passes(low, pairs=not in_room), ends)
    highest = float(seen.frequencies[-1]) / EDGE
    told = told_pieces(found, errors, highest=highest, near=not in_room)
    candidates = path_candidates(told, given)
    misfit_db = _misfit_db(found.fits[int(np.argmax(found.log_odds))], seen)
    verdict = PathVerdict.IN_ROOM if in_room else _verdict(candidates, misfit_db)
    sure = 2.0 if in_room else ANSWER_PROBABILITY  # what a seat shows confirms nothing
    judged = judge_description(told, found, errors, low, highest=highest, sure=sure)
    high_pass = judge_high_pass(found, errors, high, sure=ANSWER_PROBABILITY)
    return PathEstimate(
        verdict=verdict,
        taken=taken,
        candidates=candidates,
        described=None if described is None else given,
        as_described=None if described is None else judged,
        high_pass=None if in_room or alone else high_pass,
        highest=highest,
        signal_to_noise_db=seen.signal_to_noise_db,
        misfit_db=misfit_db,
        fall_seen_db=seen.fall_seen_db,
        analysis=_analysis(verdict, candidates[0], high, mains=mains, fixed=fixed),
    )


def _single(
    response: FrequencyResponse, reference: FrequencyResponse | None, *, averaged: bool
) -> FrequencyResponse:
    """Return what is judged: the response, its ratio to a reference, or the mean over seats."""
    if reference is not None:
        return _ratio(response, reference)
    if averaged and response.stored.ndim == 2:
        return FrequencyResponse.from_level(response.frequencies, power_mean_db(response.level_db))
    return response


def _high_passes(described: tuple[CrossoverFilter, ...]) -> tuple[CrossoverFilter, ...]:
    """Return the electrical high-passes: the box is fitted."""
    return tuple(e for e in described if e.kind == "high_pass" and e.where.lower() != "box")


def _ratio(response: FrequencyResponse, reference: FrequencyResponse) -> FrequencyResponse:
    """Return response over reference where the reference is strong enough to divide by."""
    if response.stored.ndim != 1 or not np.array_equal(response.frequencies, reference.frequencies):
        raise ValueError("response and reference must be single and share their frequencies")
    strong = reference.level_db >= reference.level_db.max() - _REFERENCE_SPAN_DB
    noise_to_signal = sum(
        noise_power(one.frequencies, amplitude) / np.maximum(amplitude**2, 1e-30)
        for one, amplitude in ((e, amplitude_ratio(e.level_db)) for e in (response, reference))
    )
    snr_db = -10.0 * np.log10(np.maximum(noise_to_signal, 1e-10))
    return FrequencyResponse.from_level(
        response.frequencies[strong],
        (response.level_db - reference.level_db)[strong],
        snr_db=snr_db[strong],
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
    held: list[int] = []
    if best.engaged:
        held = [place for place, position in enumerate(best.engaged[0]) if position in fixed]
    return predict_path((*best.filters, *high), mains=mains, fixed=held)
