"""Choose corner and slopes: low-pass of the subwoofer with high-pass of the mains.

Conventions
-----------
A *pair* is what stands in the two branches electrically. The mains' acoustic order is that of
their box (closed 2, vented 4) plus that of the electrical high-pass; it should equal the low-pass's
order, and the phases of both should meet at the corner. Pairs are ranked by the deviation that is
left after delay, polarity, level and bands with each of them, all on the same frequencies. The
present pair is always among them; another is to be preferred only if it gains 0.5 dB and its
slopes meet no worse. Corners in Hz, phases in degrees.

Common practice, no source: the corner lies half an octave or more above the mains' -3 dB point;
vented mains keep a high-pass at half an octave below tuning or higher, since below tuning nothing
holds the cone; what would lift a measured branch by more than 20 dB is not predicted.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import ComplexArray
from roomeq.device.crossover import CrossoverFilter, MainsBox, chain_response
from roomeq.device.processor import JoiningSettings
from roomeq.device.profile import FilterChoice
from roomeq.optimiser.joining.data import JoiningData

HALF_OCTAVE = math.sqrt(2.0)
MOST_LIFT = 10.0
LEAST_GAIN_DB = 0.5
_NEAR_SUM = 0.01  # a branch within 20 dB of the sum has a say


class PairDoubt(StrEnum):
    """Why a pair is not offered, or what speaks against it."""

    CORNER_TOO_LOW = "corner_too_low"
    FULL_RANGE = "full_range"
    NOT_PREDICTABLE = "not_predictable"
    SLOPES_DIFFER = "slopes_differ"
    VENTED_WITHOUT_HIGH_PASS = "vented_without_high_pass"


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossoverPair:
    """A low-pass for the subwoofer and a high-pass for the mains, either of them absent.

    Raises
    ------
    ValueError
        If both are absent.
    """

    low_pass: CrossoverFilter | None
    high_pass: CrossoverFilter | None

    def __post_init__(self) -> None:
        if self.low_pass is None and self.high_pass is None:
            raise ValueError("a pair needs a low-pass, a high-pass or both")

    @property
    def filters(self) -> tuple[CrossoverFilter, ...]:
        """Those that are there, wherever they sit, the low-pass first."""
        there = (self.low_pass, self.high_pass)
        return tuple(replace(one, where="") for one in there if one is not None)

    @property
    def corner(self) -> float:
        """Corner in Hz: that of the low-pass, or of the high-pass where there is none."""
        return self.filters[0].corner


def _response(one: CrossoverFilter | None, frequencies: ArrayLike) -> ComplexArray:
    return chain_response(() if one is None else (one,), frequencies)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RankedPair:
    """A pair with what it would give.

    Attributes
    ----------
    pair : CrossoverPair
    settings : JoiningSettings
        Delay and polarity that go with it.
    loss_db : float
        Loss of the sum with them.
    deviation_db : float
        Deviation that is left after level and bands.
    mains : MainsBox or None
        None where it is not known; then slopes are not judged.
    """

    pair: CrossoverPair
    settings: JoiningSettings
    loss_db: float
    deviation_db: float
    mains: MainsBox | None = None

    def __repr__(self) -> str:
        return f"<RankedPair: {self.pair!r}, deviation {self.deviation_db:.2f} dB>"

    @property
    def acoustic_order(self) -> int | None:
        """Order of the mains' acoustic fall, box plus electrical high-pass; None without a box."""
        high = self.pair.high_pass
        return None if self.mains is None else self.mains.order + (high.order if high else 0)

    @property
    def phase_at_corner_deg(self) -> float | None:
        """The subwoofer's phase against the mains' at the corner, within -180 to 180.

        From the filters and the box alone, without places and room: 0 adds up, 180 wants an
        inverted polarity, anything between no polarity mends. None where the box is not known.
        """
        if self.mains is None:
            return None
        at = [self.pair.corner]
        low = _response(self.pair.low_pass, at)
        high = _response(self.pair.high_pass, at) * self.mains.roll_off.response(at)
        return float(np.angle(low * np.conj(high), deg=True)[0])

    @property
    def slope_mismatch(self) -> int:
        """By how much the order of the low-pass misses that of the mains; 0 if it is not known."""
        low = self.pair.low_pass.order if self.pair.low_pass else 0
        return 0 if self.acoustic_order is None else abs(self.acoustic_order - low)

    @property
    def doubts(self) -> tuple[PairDoubt, ...]:
        """What speaks against the pair."""
        pair = self.pair
        full = pair.low_pass is None or (pair.high_pass is None and self.mains is None)
        holds = {PairDoubt.SLOPES_DIFFER: self.slope_mismatch > 0, PairDoubt.FULL_RANGE: full}
        return tuple(doubt for doubt, there in holds.items() if there)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CornerChoice:
    """Pairs in order of what they give.

    Attributes
    ----------
    ranked : tuple of RankedPair
        The best first, the present pair among them.
    refused : tuple of (CrossoverPair, PairDoubt)
        Not evaluated, and why.
    present : RankedPair
        The pair in force.
    """

    ranked: tuple[RankedPair, ...]
    refused: tuple[tuple[CrossoverPair, PairDoubt], ...]
    present: RankedPair

    @property
    def preferred(self) -> RankedPair | None:
        """Another pair that gains 0.5 dB or more; None if the present one stays.

        Its slopes meet no worse than those of the present pair (common practice, no source).
        """
        mismatch = self.present.slope_mismatch
        fit = [
            entry
            for entry in self.ranked
            if entry is not self.present
            and not set(entry.doubts) - {PairDoubt.SLOPES_DIFFER}
            and entry.slope_mismatch <= mismatch
        ]
        best = min(fit, key=lambda entry: entry.deviation_db, default=None)
        if best is None or self.present.deviation_db - best.deviation_db < LEAST_GAIN_DB:
            return None
        return best


def offered_pairs(
    low_pass: FilterChoice | None,
    high_pass: FilterChoice | None,
    *,
    kept: tuple[CrossoverFilter | None, CrossoverFilter | None] = (None, None),
    same_corner: bool = False,
) -> tuple[CrossoverPair, ...]:
    """Return every pair that a device's low-pass and a processor's high-pass can make.

    Parameters
    ----------
    low_pass, high_pass : FilterChoice or None
        What is on offer in the subwoofer's branch and in the mains'.
    kept : tuple of CrossoverFilter or None
        What stays in a branch in which nothing is on offer.
    same_corner : bool
        Whether one knob sets both corners.
    """
    lows = [kept[0]] if low_pass is None else _options(low_pass, "low_pass")
    highs = [kept[1]] if high_pass is None else _options(high_pass, "high_pass")
    return tuple(
        CrossoverPair(low_pass=low, high_pass=high)
        for low, high in itertools.product(lows, highs)
        if (low or high) and not (same_corner and low and high and low.corner != high.corner)
    )


def _options(
    choice: FilterChoice, kind: Literal["low_pass", "high_pass"]
) -> list[CrossoverFilter | None]:
    options: list[CrossoverFilter | None] = [
        CrossoverFilter(kind=kind, family=choice.family, order=order, corner=corner)
        for corner in choice.corners
        for order in choice.orders
    ]
    return [*options, None] if choice.can_bypass else options


def predicted_pairs(
    data: JoiningData,
    *,
    pairs: Sequence[CrossoverPair],
    present: CrossoverPair,
    mains: MainsBox | None = None,
) -> tuple[list[tuple[CrossoverPair, JoiningData]], list[tuple[CrossoverPair, PairDoubt]]]:
    """Return the data with each pair that can be predicted, and the other pairs with why not.

    Parameters
    ----------
    data : JoiningData
        Prepared with a `span` that reaches from half an octave below the lowest corner on offer to
        half an octave above the highest: the same frequencies judge all pairs.
    pairs : sequence of CrossoverPair
    present : CrossoverPair
        What was in force while measuring; it is taken out of both branches, and comes first.
    mains : MainsBox, optional
        Without it slopes and corners are not judged.

    Raises
    ------
    ValueError
        If the data do not reach half an octave, less 3 %, beyond every corner.
    """
    lowest, highest = data.points[0] * HALF_OCTAVE / 1.03, data.points[-1] / HALF_OCTAVE * 1.03
    for pair in pairs:
        if not lowest <= pair.corner <= highest:
            raise ValueError(
                f"a corner of {pair.corner:g} Hz needs data half an octave to either side: the "
                f"span is {data.points[0]:.0f} to {data.points[-1]:.0f} Hz"
            )
    predicted, refused = [(present, replace(data, corner=present.corner))], []
    for pair in pairs:
        if pair.filters != present.filters:
            found = _predicted(data, pair, present, mains)
            if isinstance(found, PairDoubt):
                refused.append((pair, found))
            else:
                predicted.append((pair, found))
    return predicted, refused


def _predicted(
    data: JoiningData, pair: CrossoverPair, present: CrossoverPair, mains: MainsBox | None
) -> JoiningData | PairDoubt:
    """Return the data with one pair in place of another, or why it is not offered."""
    if mains is not None and pair.corner < mains.corner * HALF_OCTAVE * (1 - 1e-9):
        return PairDoubt.CORNER_TOO_LOW
    if mains is not None and mains.kind == "vented":
        least = (mains.tuning or mains.corner) / HALF_OCTAVE
        if pair.high_pass is None or pair.high_pass.corner < least * (1 - 1e-9):
            return PairDoubt.VENTED_WITHOUT_HIGH_PASS
    points = data.points
    low = _response(pair.low_pass, points) / _response(present.low_pass, points)
    high = _response(pair.high_pass, points) / _response(present.high_pass, points)
    changed = data.with_transfers(sub=low, mains=high)
    total = np.abs(changed.sub) ** 2 + np.abs(changed.mains) ** 2
    for change, branch in ((low, changed.sub), (high, changed.mains)):
        if np.any((np.abs(change) > MOST_LIFT) & (np.abs(branch) ** 2 > _NEAR_SUM * total)):
            return PairDoubt.NOT_PREDICTABLE
    return replace(changed, corner=pair.corner)
