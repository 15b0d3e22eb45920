"""Low-pass and high-pass filters of a subwoofer's path.

Conventions
-----------
``exp(+j omega t)``: a low-pass has falling phase. Corner frequencies in Hz: a Butterworth filter is
3 dB down at its corner, a Linkwitz-Riley filter 6 dB. The order counts the whole filter: 4 is 24 dB
per octave. A digital filter is the analogue prototype after the bilinear transformation, pre-warped
at its corner. It is evaluated as the prototype on the warped axis ``tan(pi f / fs) / tan(pi fc /
fs)``, which is the same function and loses no digits in the bass, where the coefficients of a
digital filter of high order would.

A protective high-pass as it is set on a device, and kept in a plan.

The corner in Hz; the order counts the whole filter. None in place of one is off.

Main loudspeakers as their maker describes them: kind of box, corner, tuning.

Frequencies in Hz.

Second-order sections of the W3C Audio EQ Cookbook.

Formulas after R. Bristow-Johnson, "Audio EQ Cookbook", W3C Working Group Note, 8 June 2021. Gains
in dB, frequencies and sample rates in Hz. A digital section is evaluated through its analogue
prototype on the bilinearly warped axis ``tan(pi f / fs) / tan(pi f0 / fs)``, which is the same
function and keeps every digit in the bass, where ``1 - cos`` of a small angle would not.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Literal, Self, get_args

import numpy as np
from msgspec import field, structs
from numpy.typing import ArrayLike

from roomeq.base.levels import ComplexArray, FloatArray, amplitude_ratio_db, require_positive
from roomeq.base.record import Record
from roomeq.base.toml_tables import Plausible, StrictTable

FilterFamily = Literal["butterworth", "linkwitz_riley"]
FilterKind = Literal["low_pass", "high_pass"]

HIGHEST_ORDER = 8
"""Highest order of a single filter: 48 dB per octave."""


def _over_centre(axis: FloatArray, centre: float, sample_rate: float | None) -> FloatArray:
    """Return s/j of the prototype: frequency over centre, warped for a digital filter."""
    if sample_rate is None:
        return np.asarray(axis / centre)
    if not 2.0 * centre < sample_rate < math.inf:
        raise ValueError(f"a sample rate of {sample_rate!r} Hz cannot hold {centre:g} Hz")
    return np.asarray(np.tan(np.pi * axis / sample_rate) / math.tan(math.pi * centre / sample_rate))


def _butterworth(ratio: FloatArray, order: int, kind: FilterKind) -> ComplexArray:
    """Return a Butterworth filter at `ratio`, frequency over corner.

    One factor for each pole, so that nothing overflows however far from the corner.
    """
    s = np.asarray(1j * ratio)
    numerator = np.ones_like(s) if kind == "low_pass" else s
    result = np.ones_like(s)
    for k in range(order):
        angle = math.pi * (2 * k + order + 1) / (2 * order)
        result = result * (numerator / (s - complex(math.cos(angle), math.sin(angle))))
    return result


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossoverFilter:
    """One filter.

    Attributes
    ----------
    kind : {"low_pass", "high_pass"}
    family : {"butterworth", "linkwitz_riley"}
        A Linkwitz-Riley filter is two Butterworth filters of half the order in a row.
    order : int
        1 to 8; even for Linkwitz-Riley.
    corner : float
        Hz.
    where : str
        Where in the path it sits, in the user's words.
    sample_rate : float, optional
        Hz for a digital filter; without it the filter is analogue.

    Raises
    ------
    ValueError
        If a value is not one of these.
    """

    kind: FilterKind
    family: FilterFamily
    order: int
    corner: float
    where: str = ""
    sample_rate: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in get_args(FilterKind):
            raise ValueError(f"kind is one of {get_args(FilterKind)}, got {self.kind!r}")
        if self.family not in get_args(FilterFamily):
            raise ValueError(f"family is one of {get_args(FilterFamily)}, got {self.family!r}")
        if not (isinstance(self.order, int) and 1 <= self.order <= HIGHEST_ORDER):
            raise ValueError(f"order is 1 to {HIGHEST_ORDER}, got {self.order!r}")
        if self.family == "linkwitz_riley" and self.order % 2:
            raise ValueError(f"a Linkwitz-Riley filter has an even order, got {self.order}")
        require_positive(self.corner, "a corner")
        if self.sample_rate is not None:
            _over_centre(np.zeros(0), self.corner, self.sample_rate)

    @property
    def butterworth_orders(self) -> tuple[int, ...]:
        """Orders of the Butterworth filters that give this one in a row.

        A Linkwitz-Riley filter is two of half its order (Linkwitz, JAES 24(1), 1976). Analogue
        filters of one kind give the same response if and only if the lists of their Butterworth
        orders and corners agree: each order has poles that no lower one has, so that the list can
        be read off the poles, highest order first.
        """
        if self.family == "butterworth":
            return (self.order,)
        return (self.order // 2, self.order // 2)

    def response(self, frequencies: ArrayLike) -> ComplexArray:
        """Return the complex amplitude ratio, shape (F,).

        Raises
        ------
        ValueError
            If a frequency is not finite, is negative, or is beyond half the sample rate of a
            digital filter.
        """
        axis = np.asarray(frequencies, dtype=np.float64)
        if not (np.isfinite(axis).all() and (axis >= 0).all()):
            raise ValueError("frequencies must be finite and not negative")
        if self.sample_rate is not None and not (axis <= self.sample_rate / 2.0).all():
            raise ValueError(
                f"frequencies must be at most half the sample rate of {self.sample_rate:g} Hz"
            )
        ratio = _over_centre(axis, self.corner, self.sample_rate)
        result = np.ones(ratio.shape, dtype=np.complex128)
        for order in self.butterworth_orders:
            result = result * _butterworth(ratio, order, self.kind)
        return result

    def __str__(self) -> str:
        family = {"butterworth": "Butterworth", "linkwitz_riley": "Linkwitz-Riley"}[self.family]
        kind = self.kind.replace("_", "-")
        where = f" in the {self.where}" if self.where else ""
        return f"{kind} {family} {6 * self.order} dB/oct at {self.corner:g} Hz{where}"


def chain_response(
    filters: Iterable[CrossoverFilter | None], frequencies: ArrayLike
) -> ComplexArray:
    """Return the product of several filters' responses, shape (F,); 1 for none. None is off."""
    result = np.ones(np.shape(frequencies), dtype=np.complex128)
    for one in filter(None, filters):
        result = result * one.response(frequencies)
    return result


class HighPass(Record, frozen=True, kw_only=True):
    """A protective high-pass as it is set on the device.

    Raises
    ------
    ValueError
        If there is no such filter.
    """

    family: FilterFamily
    order: int
    corner: float

    def __post_init__(self) -> None:
        self.filter()

    @classmethod
    def of(cls, one: CrossoverFilter | None) -> Self | None:
        """Return what is set of a filter; None for off.

        Raises
        ------
        ValueError
            If it is no high-pass, or a digital one.
        """
        if one is None:
            return None
        if one.kind != "high_pass" or one.sample_rate is not None:
            raise ValueError(f"the protective filter is a high-pass, and no digital one: got {one}")
        return cls.copied(one)

    def filter(self) -> CrossoverFilter:
        """Return the filter."""
        return CrossoverFilter(kind="high_pass", **structs.asdict(self))


def filter_of(one: HighPass | None) -> CrossoverFilter | None:
    """Return the filter of a setting; None for off."""
    return None if one is None else one.filter()


def high_pass_db(one: CrossoverFilter | None, frequencies: ArrayLike) -> FloatArray:
    """Return the level behind a protective high-pass, in dB, shape (F,); 0 where it is off.

    Displacement follows voltage, so in any box that is what it takes off the displacement as well.
    """
    return amplitude_ratio_db(chain_response((one,), frequencies))


def high_pass_change_db(
    before: CrossoverFilter | None, after: CrossoverFilter | None, frequencies: ArrayLike
) -> FloatArray:
    """Return what another high-pass changes, in dB, shape (F,)."""
    return np.asarray(high_pass_db(after, frequencies) - high_pass_db(before, frequencies))


class MainsBox(StrictTable, frozen=True, kw_only=True):
    """``[mains]``: the mains as their maker describes them.

    Attributes
    ----------
    kind
        Kind of box.
    corner : 50
        Where they are 3 dB down.
    tuning : 45
        Of a vented box; without it the corner.
    """

    kind: Literal["closed", "vented"] = field(name="box")
    corner: Annotated[float, Plausible(15.0, 300.0, "Hz")]
    tuning: Annotated[float | None, Plausible(10.0, 200.0, "Hz")] = None

    @property
    def order(self) -> int:
        """Order of the box's own fall: 2 for a closed box, 4 for a vented one."""
        return 2 if self.kind == "closed" else 4

    @property
    def roll_off(self) -> CrossoverFilter:
        """The box's fall as a Butterworth high-pass, where nothing better is known."""
        return CrossoverFilter(
            kind="high_pass",
            family="butterworth",
            order=self.order,
            corner=self.corner,
            where="box",
        )


def peaking_response(
    frequencies: ArrayLike,
    *,
    centre: float,
    q: ArrayLike,
    gain_db: ArrayLike,
    sample_rate: float | None = None,
) -> ComplexArray:
    """Return the response of peaking sections.

    Parameters
    ----------
    frequencies : array_like, shape (F,)
        Hz.
    centre : float
        Centre frequency in Hz.
    q, gain_db : array_like, shape () or (K,)
        Q and gain at the centre in dB; several together give several sections.
    sample_rate : float, optional
        Hz for a digital section; without it the section is analogue.

    Returns
    -------
    ndarray, shape (F,) or (K, F)
        Complex amplitude ratio.

    Raises
    ------
    ValueError
        If Q, gain, centre or sample rate is not usable.
    """
    quality, gain = np.broadcast_arrays(
        np.asarray(q, dtype=np.float64), np.asarray(gain_db, dtype=np.float64)
    )
    if not (np.isfinite(quality).all() and (quality > 0).all()):
        raise ValueError(f"Q must be finite and positive, got {quality}")
    if not np.isfinite(gain).all():
        raise ValueError(f"a gain must be finite, got {gain}")
    ratio = 10.0 ** (gain[..., np.newaxis] / 40.0)
    require_positive(centre, "a centre")
    x = _over_centre(np.asarray(frequencies, dtype=np.float64), centre, sample_rate)
    real = 1.0 - x**2
    bandwidth = x / quality[..., np.newaxis]
    return np.asarray((real + 1j * bandwidth * ratio) / (real + 1j * bandwidth / ratio))


def low_shelf_response(frequencies: ArrayLike, *, corner: float, gain_db: float) -> ComplexArray:
    """Return the response of the Cookbook's analogue low shelf, shape (F,).

    The gain is `gain_db` far below the corner, half of it (in dB) at the corner, 0 far above. With
    the Q of 0.7071 the slope is as steep as it can be without over- or undershoot.
    """
    ratio = 10.0 ** (gain_db / 40.0)
    s = 1j * np.asarray(frequencies, dtype=np.float64) / corner
    damping = math.sqrt(2.0 * ratio) * s
    return np.asarray(ratio * (s**2 + damping + ratio) / (ratio * s**2 + damping + 1.0))
