"""How likely a chain makes what was measured: a fit with correlated errors, and its evidence.

Conventions
-----------
What a chain leaves of the level is noise, whose size is known, a smooth roll-off that nobody stated
(a normal process over octaves with a long correlation), and ripple of a room (a shorter one), whose
size and length are not known: the evidence is the mean over a grid of them. Evidence is ln of a
density, by Laplace's approximation (MacKay, Neural Computation 4(3), 1992).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from roomeq.base.levels import FloatArray
from roomeq.optimiser.path.model import Chain, level_db
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
        self.whiten: list[FloatArray] = []
        self.constant: list[float] = []
        for ripple in ripples_db:
            for length in lengths:
                scaled = np.sqrt(3.0) * apart / length
                cover = known + ripple**2 * (1.0 + scaled) * np.exp(-scaled)
                root = np.linalg.cholesky(cover)
                self.whiten.append(np.linalg.inv(root))
                self.constant.append(-float(np.log(np.diag(root)).sum()))

    def likeliest(self, left: FloatArray) -> int:
        """Return which ripple explains residuals best."""
        return int(np.argmax([c - 0.5 * np.sum((w @ left) ** 2) for w, c in self._all()]))

    def misfit(self, fit: Fit, ripple: int) -> float:
        """Return half the sum of squares of a fit with one ripple, the priors' share included."""
        left = self.whiten[ripple] @ fit.left_db
        return 0.5 * float(left @ left + fit.offset @ fit.offset)

    def parameter_spreads(self, fit: Fit) -> FloatArray:
        """Return the standard deviations of the parameters, with the likeliest ripple."""
        change = self.whiten[self.likeliest(fit.left_db)] @ fit.slope
        known = change.T @ change + np.diag(1.0 / np.asarray(fit.chain.spread) ** 2)
        return np.asarray(np.sqrt(np.diag(np.linalg.inv(known))))

    def _all(self) -> zip[tuple[FloatArray, float]]:
        return zip(self.whiten, self.constant, strict=True)

    def evidence(self, fit: Fit) -> float:
        """Return ln evidence of a fit, averaged over the ripples."""
        spread = np.asarray(fit.chain.spread)
        found = []
        for whiten, constant in self._all():
            change = whiten @ (fit.slope * spread)
            _, curvature = np.linalg.slogdet(np.eye(spread.size) + change.T @ change)
            left = whiten @ fit.left_db
            found.append(constant - 0.5 * float(left @ left) - 0.5 * float(curvature))
        mean = float(np.logaddexp.reduce(found)) - math.log(len(found))
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
        away = self.parameters - np.asarray(self.chain.centre)
        return np.asarray(away / np.asarray(self.chain.spread))


def fit_chain(
    chain: Chain, errors: Errors, ripple: int, start: dict[int, float] | None = None
) -> Fit:
    """Fit a chain with one of the ripples; `start` replaces the priors' centres at places."""
    from scipy.optimize import leastsq

    seen, whiten = errors.seen, errors.whiten[ripple]
    centre, spread = np.asarray(chain.centre), np.asarray(chain.spread)
    begin = centre.copy()
    for place, value in (start or {}).items():
        begin[place] = value
    kept: dict[bytes, Any] = {}
    priors = np.diag(1.0 / spread)

    def both(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        key = at.tobytes()
        if key not in kept:
            kept.clear()
            kept[key] = level_db(chain, at, seen.frequencies, seen.noise_db)
        return kept[key]  # type: ignore[no-any-return]

    begin[0] += float(np.median(seen.level_db - both(begin)[0]))

    def residuals(at: FloatArray) -> FloatArray:
        return np.concatenate((whiten @ (seen.level_db - both(at)[0]), (at - centre) / spread))

    def jacobian(at: FloatArray) -> FloatArray:
        return np.concatenate((-whiten @ both(at)[1], priors))

    found = leastsq(residuals, begin, Dfun=jacobian, maxfev=_TRIALS, ftol=1e-4, full_output=True)[0]
    level, slope = both(found)
    return Fit(chain, found, seen.level_db - level, slope)
