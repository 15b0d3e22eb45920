"""What an amplifier can give into a load: voltage, power, current, and loads it must not drive.

Conventions
-----------
Voltages in V and currents in A are root mean square values of a sine; impedances in ohm, power in
W into a resistance. A nominal impedance is what the data sheet calls it; the impedance dips to
about 0.8 times that (common practice, no source). An amplifier's minimum load is meant nominally,
as data sheets mean it: a load of that nominal impedance, dips included, is still allowed.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray
from roomeq.base.toml_tables import Plausible, StrictTable

MINIMUM_SHARE = 0.8
"""Lowest over nominal impedance, where it was not measured (common practice, no source)."""

_RATINGS_AGREE = 10.0 ** (0.5 / 20.0)

_Ohm = Annotated[float, Plausible(0.5, 100.0, "ohm")]
_Count = Annotated[
    int,
    Plausible(
        1, 64, "drivers", message="{value} {unit} cannot be", remedy="a whole number of at least 1"
    ),
]


class Load(StrictTable, frozen=True, kw_only=True):
    """``[load]``: equal drivers (or voice coils) as they are wired to one amplifier channel.

    Attributes
    ----------
    driver_nominal_ohm : 8
        Nominal impedance of one driver.
    in_series
        Drivers one behind the other in each string.
    in_parallel
        Strings side by side.
    driver_minimum_ohm : 6.4
        Lowest impedance of one driver; without it 0.8 times nominal.

    Raises
    ------
    ValueError
        If the lowest impedance exceeds the nominal one.
    """

    driver_nominal_ohm: _Ohm
    in_series: _Count = 1
    in_parallel: _Count = 1
    driver_minimum_ohm: _Ohm | None = None

    def __post_init__(self) -> None:
        least = self.driver_minimum_ohm
        if least is not None and least > self.driver_nominal_ohm:
            raise ValueError(
                f"driver_minimum_ohm ({least:g}) exceeds the nominal "
                f"{self.driver_nominal_ohm:g} ohm: are they swapped?"
            )

    @property
    def drivers(self) -> int:
        """How many drivers there are."""
        return self.in_series * self.in_parallel

    @property
    def nominal_ohm(self) -> float:
        """Nominal impedance of the whole load."""
        return self.driver_nominal_ohm * self.in_series / self.in_parallel

    @property
    def minimum_assumed(self) -> bool:
        """Whether the lowest impedance is taken for 0.8 times nominal."""
        return self.driver_minimum_ohm is None

    @property
    def minimum_ohm(self) -> float:
        """Lowest impedance of the whole load."""
        if self.driver_minimum_ohm is None:
            return MINIMUM_SHARE * self.nominal_ohm
        return self.driver_minimum_ohm * self.in_series / self.in_parallel

    def power_w(self, voltages: ArrayLike) -> FloatArray:
        """Return the power into the nominal impedance, in W; what ratings are compared with."""
        return np.asarray(np.asarray(voltages, dtype=np.float64) ** 2 / self.nominal_ohm)

    def largest_power_w(self, voltages: ArrayLike) -> FloatArray:
        """Return the power where the impedance is lowest, in W (1.25 times at 0.8 of nominal)."""
        return np.asarray(np.asarray(voltages, dtype=np.float64) ** 2 / self.minimum_ohm)

    def largest_current(self, voltages: ArrayLike) -> FloatArray:
        """Return the current where the impedance is lowest, in A."""
        return np.asarray(np.asarray(voltages, dtype=np.float64) / self.minimum_ohm)

    def __str__(self) -> str:
        if self.drivers == 1:
            return f"{self.nominal_ohm:g} ohm"
        parts = [f"{self.in_series} in series"] if self.in_series > 1 else []
        parts += [f"{self.in_parallel} in parallel"] if self.in_parallel > 1 else []
        each = f"{self.drivers} drivers of {self.driver_nominal_ohm:g} ohm, {', '.join(parts)}"
        return f"{self.nominal_ohm:.3g} ohm ({each})"


class PowerRating(StrictTable, frozen=True, kw_only=True):
    """``[[amplifier.ratings]]``: continuous sine power into one rated load.

    Attributes
    ----------
    power_w : 400
        Continuous, sine.
    load_ohm : 4
        Into this load.
    """

    power_w: Annotated[float, Plausible(1.0, 20000.0, "W")]
    load_ohm: _Ohm

    @property
    def voltage(self) -> float:
        """Voltage of that power, ``sqrt(P R)``, in V."""
        return math.sqrt(self.power_w * self.load_ohm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Amplifier:
    """An amplifier channel by its ratings.

    Attributes
    ----------
    ratings : tuple of PowerRating
        At least one, in any order.
    minimum_load_ohm : float, optional
        Lowest nominal load that it may drive; the lowest rated load where the maker states no
        other.

    Raises
    ------
    ValueError
        If there is no rating, a load is rated twice, or a lower load is rated at a voltage more
        than 0.5 dB higher than a higher one: an amplifier gives no more voltage into a heavier
        load.
    """

    ratings: tuple[PowerRating, ...]
    minimum_load_ohm: float | None = None

    def __post_init__(self) -> None:
        ratings = tuple(sorted(self.ratings, key=lambda rating: rating.load_ohm))
        if not ratings:
            raise ValueError("an amplifier needs at least one rating: a power and its load")
        for low, high in itertools.pairwise(ratings):
            if low.load_ohm == high.load_ohm:
                raise ValueError(f"{low.load_ohm:g} ohm is rated twice")
            if low.voltage > high.voltage * _RATINGS_AGREE:
                raise ValueError(
                    f"{low.power_w:g} W into {low.load_ohm:g} ohm is {low.voltage:.1f} V, but "
                    f"{high.power_w:g} W into {high.load_ohm:g} ohm only {high.voltage:.1f} V: one "
                    "of them is no continuous rating"
                )
        object.__setattr__(self, "ratings", ratings)

    @property
    def minimum_ohm(self) -> float:
        """Lowest nominal load that the amplifier may drive."""
        if self.minimum_load_ohm is None:
            return self.ratings[0].load_ohm
        return self.minimum_load_ohm

    def check_load(self, load: Load) -> None:
        """Refuse a load below the amplifier's minimum.

        Raises
        ------
        ValueError
            If the load's nominal impedance is below the amplifier's minimum, or its lowest
            impedance below 0.8 times that.
        """
        least = self.minimum_ohm * (1.0 - 1e-9)
        if load.nominal_ohm < least:
            raise ValueError(
                f"the load of {load} is below the amplifier's minimum of {self.minimum_ohm:g} ohm: "
                "do not connect it; wire the drivers in series, or use fewer"
            )
        if load.minimum_ohm < MINIMUM_SHARE * least:
            raise ValueError(
                f"the load dips to {load.minimum_ohm:.2f} ohm; one of {self.minimum_ohm:g} ohm "
                f"nominal, the amplifier's minimum, dips to {MINIMUM_SHARE * self.minimum_ohm:.2f} "
                "ohm: do not connect it"
            )

    def is_rated(self, load: Load) -> bool:
        """Return whether a load's nominal impedance is one that the maker rates."""
        return any(abs(r.load_ohm / load.nominal_ohm - 1.0) < 0.01 for r in self.ratings)

    def rated_voltage(self, load: Load) -> float:
        """Return the largest voltage that the ratings promise into a load, in V.

        Between two rated loads it is the voltage of the lower one, above the highest that of the
        highest. Below the lowest rated load the current of that rating is kept.

        Raises
        ------
        ValueError
            If the load is refused, as `check_load` does.
        """
        self.check_load(load)
        lowest = self.ratings[0]
        nominal = load.nominal_ohm
        if nominal < lowest.load_ohm:
            return lowest.voltage * nominal / lowest.load_ohm
        fitting = [rating for rating in self.ratings if rating.load_ohm <= nominal * (1.0 + 1e-9)]
        return fitting[-1].voltage
