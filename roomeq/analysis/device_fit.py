"""What bands and filters of a device really do, from responses with one or a few moved.

Conventions
-----------
Only the ratio of a moved response to the flat one counts, in dB over Hz: room, driver and
microphone are the same in both. A band is the second-order peaking section of the W3C Audio EQ
Cookbook, which at one gain is any such section. Standard errors follow from the Jacobian of the
least squares (G. A. F. Seber, C. J. Wild, "Nonlinear Regression", 1989, ch. 2), from the scatter
within one and a half octaves of a band, and from how neighbouring points hang together:
``(1 + rho) / (1 - rho)`` times the variance for a correlation rho of the first order. Low-passes
and high-passes are Butterworth ones of order 1 to 8 and Linkwitz-Riley ones of 2 to 8.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from roomeq.base.levels import FloatArray, amplitude_ratio_db, power_ratio, readonly
from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter, FilterKind, peaking_response

LOWEST, HIGHEST = 6.0, 500.0
"""Hz between which responses are looked at."""
LEVEL = "level"
"""Name of the level knob among what may be moved."""
FURTHEST = 0.16
"""How far a centre may lie from where it is called, in ln f: a little beyond its third octave."""
NEAR_OCTAVES, BLOCK_OCTAVES = 1.5, 1.0 / 6.0
MISFIT_DB, MISFIT_ERRORS = 0.15, 4.5
"""What the mean residual of a sixth of an octave must not exceed: both, in dB and in standard
errors. None of 3600 clean responses was accused, and each of 300 with another band moved by 1 dB or
more, or the microphone (bench_device.py)."""
OFFSET_ERRORS = 4.0
HANGS_TOGETHER = 0.5
_NOISE_SHARES = (0.0, 1e-5, 1e-4, 1e-3, 1e-2, 0.1, 1.0, 1e3)
_PRIOR = {"centre": 0.1, "gain": 15.0, "q": 1.0, "offset": 3.0}
"""Weak, so that what the data do not tell has a large error and no infinite one."""
FURTHEST_CORNER = 0.7
"""How far a corner is looked for from where it is called, in ln f: an octave."""
STANDS = 9.0
"""Twice the log-likelihood by which another kind of filter must be worse to be ruled out."""
_FILTERS = [("butterworth", n) for n in range(1, 9)] + [("linkwitz_riley", n) for n in (2, 4, 6, 8)]
Key = tuple[str, str, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MovedResponse:
    """A response with something moved, against the flat one.

    Attributes
    ----------
    name : str
    frequencies, ratio_db : ndarray, shape (F,)
    noise : ndarray, shape (F,)
        Power of steady noise against both responses, 1 where both are loudest.
    moves : tuple of (str, float)
        Label of a band or `LEVEL`, and its setting in dB.
    """

    name: str
    frequencies: FloatArray
    ratio_db: FloatArray
    noise: FloatArray
    moves: tuple[tuple[str, float], ...] = ()

    @classmethod
    def of(
        cls,
        flat: FrequencyResponse,
        moved: FrequencyResponse,
        *,
        name: str,
        moves: Sequence[tuple[str, float]] = (),
    ) -> Self:
        """Return the ratio on the points of the moved response that the flat one covers.

        Raises
        ------
        ValueError
            If they share fewer than 12 points between 6 and 500 Hz.
        """
        low = max(LOWEST, float(flat.frequencies[0]) * (1.0 - 1e-6))
        high = min(HIGHEST, float(flat.frequencies[-1]) * (1.0 + 1e-6))
        inside = (moved.frequencies >= low) & (moved.frequencies <= high)
        axis = moved.frequencies[inside]
        if axis.size < 12:
            raise ValueError(
                f"{name}: shares {axis.size} points with the flat response from {LOWEST:g} to "
                f"{HIGHEST:g} Hz, 12 or more are needed: export both on a fine axis"
            )
        flat_db = np.interp(np.log(axis), np.log(flat.frequencies), flat.level_db)
        moved_db = moved.level_db[inside]
        noise = power_ratio(flat_db.max() - flat_db) + power_ratio(moved_db.max() - moved_db)
        return cls(
            name=name,
            frequencies=readonly(axis),
            ratio_db=readonly(moved_db - flat_db),
            noise=readonly(noise / noise.min()),
            moves=tuple(moves),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value with its standard error; of a centre and a Q the error is relative."""

    value: float
    error: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DeviceFit:
    """What was fitted.

    Attributes
    ----------
    estimates : dict of (str, str, float) to Estimate
        ``"centre"`` in Hz (at a setting of 0), and for each setting ``"gain"`` in dB (also of
        `LEVEL`) and ``"q"``, each with the label of the band and the setting.
    offsets_db : dict of str to float
        Levels that differ by more than what was moved, by name of the response; taken out.
    misfits : tuple of str
        Responses that the fit does not describe.
    together_octaves : dict of str to float
        How far points hang together around a band, in octaves; 0 where they do not.
    """

    estimates: dict[Key, Estimate]
    offsets_db: dict[str, float]
    misfits: tuple[str, ...]
    together_octaves: dict[str, float]

    def with_others(self, other: Self) -> Self:
        """Return both; of what both have, what the other has."""
        return type(self)(
            estimates=self.estimates | other.estimates,
            offsets_db=self.offsets_db | other.offsets_db,
            misfits=(*self.misfits, *other.misfits),
            together_octaves=self.together_octaves | other.together_octaves,
        )


def fit_moves(
    responses: Sequence[MovedResponse], *, centres: dict[str, float], q: float = 4.318
) -> DeviceFit:
    """Fit centre, and at every setting gain and Q, of all bands that were moved.

    Parameters
    ----------
    responses : sequence of MovedResponse
    centres : dict of str to float
        Hz where the bands are said to lie, by label.
    q : float
        Where the search starts.
    """
    fits = [_fit_group(group, centres, q) for group in _groups(responses)]
    nothing = DeviceFit(estimates={}, offsets_db={}, misfits=(), together_octaves={})
    return functools.reduce(DeviceFit.with_others, fits, nothing)


def _groups(responses: Sequence[MovedResponse]) -> list[list[MovedResponse]]:
    """Return what has bands in common, directly or through others: each group is fitted apart."""
    groups: list[list[MovedResponse]] = []
    for one in responses:
        labels = {label for label, _ in one.moves}
        near = [g for g in groups if any(labels & {k for k, _ in other.moves} for other in g)]
        groups = [g for g in groups if g not in near] + [[*itertools.chain(*near), one]]
    return groups


def _fit_group(
    responses: Sequence[MovedResponse], centres: dict[str, float], q: float
) -> DeviceFit:
    keys: dict[Key, float] = {}
    for label, setting in (move for one in responses for move in one.moves):
        keys["gain", label, setting] = setting
        if label != LEVEL:
            keys["centre", label, 0.0] = 0.0
            keys["q", label, setting] = math.log(q)
    free = {
        ("offset", one.name, 0.0): 0.0
        for one in responses
        if LEVEL not in [label for label, _ in one.moves]
    }
    weights = [np.ones(one.frequencies.size) for one in responses]
    for _ in range(2):  # the second time with the weights that the first tells
        tried = _Solution(responses, centres, keys | free, weights)
        offset = [k for k in free if abs(tried.value[k]) > OFFSET_ERRORS * tried.error[k]]
        found = _Solution(responses, centres, keys | {k: 0.0 for k in offset}, weights)
        weights = [
            point_weights(left, one) for left, one in zip(found.left_db, responses, strict=True)
        ]
    estimates = {}
    for key in keys:
        value = found.value[key] if key[0] == "gain" else math.exp(found.value[key])
        value *= centres[key[1]] if key[0] == "centre" else 1.0
        estimates[key] = Estimate(value=value, error=found.error[key])
    described = zip(responses, found.left_db, weights, strict=True)
    return DeviceFit(
        estimates=estimates,
        offsets_db={key[1]: found.value[key] for key in offset},
        misfits=tuple(one.name for one, row, w in described if is_misfit(one, row, w)),
        together_octaves=found.together,
    )


class _Solution:
    """One least-squares solution: `value` and `error` by key, and what is left in dB."""

    def __init__(
        self,
        responses: Sequence[MovedResponse],
        centres: dict[str, float],
        start: dict[Key, float],
        weights: Sequence[FloatArray],
    ) -> None:
        from scipy.optimize import least_squares

        self.responses, self.centres, keys = responses, centres, list(start)
        first, prior = np.array(list(start.values())), np.array([_PRIOR[k[0]] for k in keys])

        def left(values: FloatArray) -> list[FloatArray]:
            known = dict(zip(keys, values.tolist(), strict=True))
            return [one.ratio_db - self._model_db(one, known) for one in responses]

        def weighted(values: FloatArray) -> FloatArray:
            rows = [row * w for row, w in zip(left(values), weights, strict=True)]
            return np.concatenate([*rows, 0.01 * (values - first) / prior])

        bound = {"centre": FURTHEST, "gain": 40.0, "q": 2.6, "offset": 20.0}
        reach = np.array([bound[k[0]] for k in keys])
        solved = least_squares(
            weighted, first, bounds=(first - reach, first + reach), x_scale=prior, xtol=1e-10
        )
        self.left_db = left(solved.x)
        self.value = dict(zip(keys, solved.x.tolist(), strict=True))
        slopes = np.asarray(solved.jac)
        curvature = np.linalg.inv(slopes.T @ slopes)
        rows = [row * w for row, w in zip(self.left_db, weights, strict=True)]
        freedom = sum(row.size for row in rows) / max(sum(r.size for r in rows) - len(keys), 1)
        self.together: dict[str, float] = {}
        scale = {name: freedom * self._scatter(name, rows) for name in {k[1] for k in keys}}
        errors = np.sqrt(np.diag(curvature) * [scale[k[1]] for k in keys])
        self.error = dict(zip(keys, errors.tolist(), strict=True))

    def _model_db(self, one: MovedResponse, known: dict[Key, float]) -> FloatArray:
        total = np.full(one.frequencies.size, known.get(("offset", one.name, 0.0), 0.0))
        for label, setting in one.moves:
            gain = known["gain", label, setting]
            if label == LEVEL:
                total += gain
                continue
            response = peaking_response(
                one.frequencies,
                centre=self.centres[label] * math.exp(known["centre", label, 0.0]),
                q=math.exp(known["q", label, setting]),
                gain_db=gain,
            )
            total += amplitude_ratio_db(response)
        return total

    def _scatter(self, name: str, rows: Sequence[FloatArray]) -> float:
        """Return the weighted mean square around a band (or of a response), correlation allowed."""
        squares = products = count = further = 0.0
        for one, row in zip(self.responses, rows, strict=True):
            if name != one.name and name not in [label for label, _ in one.moves]:
                continue
            centre = self.centres.get(name)
            near = np.ones(row.size, dtype=np.bool_)
            if centre is not None:
                octaves = np.log2(one.frequencies / centre)
                near = np.abs(octaves) <= NEAR_OCTAVES
                further = max(further, _together_octaves(row[near], octaves[near]))
            part = row[near]
            squares, count = squares + float(part @ part), count + part.size
            products += float(part[1:] @ part[:-1])
        self.together[name] = further
        return squares / max(count, 1.0) * correlated(products, squares) + 1e-8


def _together_octaves(row: FloatArray, octaves: FloatArray) -> float:
    """Return how far apart points are whose residuals still correlate by half, in octaves."""
    if row.size < 8:
        return 0.0
    power = float(row @ row) + 1e-30
    lag = 1
    while lag < row.size // 2 and float(row[lag:] @ row[:-lag]) > HANGS_TOGETHER * power:
        lag += 1
    return (lag if lag > 1 else 0) * float(octaves[-1] - octaves[0]) / (row.size - 1)


def point_weights(left_db: FloatArray, one: MovedResponse) -> FloatArray:
    """Return what each point weighs: the likeliest mixture of even scatter and steady noise."""

    def likelihood(share: float) -> float:
        power = 1.0 + share * one.noise
        return float(-np.log(np.mean(left_db**2 / power) + 1e-12) - np.mean(np.log(power)))

    power = 1.0 + max(_NOISE_SHARES, key=likelihood) * one.noise
    return np.asarray(1.0 / np.sqrt(power / np.exp(np.mean(np.log(power)))))


def is_misfit(one: MovedResponse, left_db: FloatArray, weights: FloatArray) -> bool:
    """Return whether more is left than scatter: in sixths of an octave, against neighbours."""
    row = left_db * weights
    scatter = 1.4826 * float(np.median(np.abs(np.diff(row, 2)))) / math.sqrt(6.0)
    number = np.floor(np.log2(one.frequencies / one.frequencies[0]) / BLOCK_OCTAVES)
    for block in np.unique(number):
        inside = number == block
        error = scatter * math.sqrt(float(np.mean(weights[inside] ** -2.0)) / inside.sum())
        if abs(float(np.mean(left_db[inside]))) > max(MISFIT_DB, MISFIT_ERRORS * error):
            return True
    return False


def correlated(products: float, squares: float) -> float:
    """Return by how much correlation of neighbours raises a variance."""
    rho = min(max(products / max(squares, 1e-30), 0.0), 0.95)
    return (1.0 + rho) / (1.0 - rho)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedFilter:
    """A low-pass or a high-pass.

    Attributes
    ----------
    filters : tuple of CrossoverFilter
        The likeliest first, and those that cannot be told from it.
    corner : Estimate
        Of the likeliest.
    misfit : bool
        Whether none describes the response.
    """

    filters: tuple[CrossoverFilter, ...]
    corner: Estimate
    misfit: bool


def fit_filter(one: MovedResponse, *, kind: FilterKind, mark: float) -> FittedFilter:
    """Fit family, order and corner of a filter that is on in one response and off in the other.

    Parameters
    ----------
    one : MovedResponse
    kind : {"low_pass", "high_pass"}
    mark : float
        Corner in Hz as the device calls it; searched from half to twice that.
    """
    weights = one.noise**-0.5  # a filter goes down into the noise
    for _ in range(2):
        ranked = sorted(
            (_one_filter(one, kind, family, order, mark, weights) for family, order in _FILTERS),
            key=lambda entry: entry.squares,
        )
        used, weights = weights, point_weights(ranked[0].left_db, one)
    best = ranked[0]
    rows = best.left_db * used
    spread = correlated(float(rows[1:] @ rows[:-1]), best.squares)
    worse = [rows.size * math.log(entry.squares / best.squares) / spread for entry in ranked]
    error = math.sqrt(best.squares / rows.size * spread / best.curvature)
    return FittedFilter(
        filters=tuple(e.filter for e, much in zip(ranked, worse, strict=True) if much < STANDS),
        corner=Estimate(value=best.filter.corner, error=error),
        misfit=is_misfit(one, best.left_db, used),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _TriedFilter:
    filter: CrossoverFilter
    left_db: FloatArray
    squares: float
    curvature: float


def _one_filter(
    one: MovedResponse, kind: FilterKind, family: str, order: int, mark: float, weights: FloatArray
) -> _TriedFilter:
    """Fit the corner of one kind of filter."""
    from scipy.optimize import least_squares

    def made(values: FloatArray) -> CrossoverFilter:
        corner = mark * math.exp(float(values[0]))
        return CrossoverFilter(kind=kind, family=family, order=order, corner=corner)  # type: ignore[arg-type]

    def left(values: FloatArray) -> FloatArray:
        return one.ratio_db - amplitude_ratio_db(made(values).response(one.frequencies))

    def weighted(values: FloatArray) -> FloatArray:
        return left(values) * weights

    solved = least_squares(weighted, [0.0], bounds=(-FURTHEST_CORNER, FURTHEST_CORNER))
    return _TriedFilter(
        filter=made(solved.x),
        left_db=left(solved.x),
        squares=2.0 * float(solved.cost) + 1e-9,
        curvature=float(np.sum(np.asarray(solved.jac) ** 2)) + 1e-12,
    )
