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
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray, require_positive

__all__ = [
    "MINIMUM_SHARE",
    "Amplifier",
    "Load",
    "LoadFault",
    "PowerRating",
    "power_into_w",
    "voltage_for_power",
]

MINIMUM_SHARE = 0.8
"""Lowest over nominal impedance, where it was not measured (common practice, no source)."""

_RATINGS_AGREE = 10.0 ** (0.5 / 20.0)


class LoadFault(StrEnum):
    """Why an amplifier must not drive a load."""

    NOMINAL_BELOW_MINIMUM = "nominal_below_minimum"
    DIPS_BELOW_MINIMUM = "dips_below_minimum"


def power_into_w(voltages: ArrayLike, *, impedance_ohm: float) -> FloatArray:
    """Return the power of voltages into a resistance, ``V**2 / R``, in W."""
    require_positive(impedance_ohm, "impedance_ohm")
    return np.asarray(np.asarray(voltages, dtype=np.float64) ** 2 / impedance_ohm)


def voltage_for_power(power_w: float, *, impedance_ohm: float) -> float:
    """Return the voltage that gives a power into a resistance, ``sqrt(P R)``, in V."""
    require_positive(power_w, "power_w")
    require_positive(impedance_ohm, "impedance_ohm")
    return math.sqrt(power_w * impedance_ohm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """Equal drivers (or voice coils) as they are wired to one amplifier channel.

    Attributes
    ----------
    driver_nominal_ohm : float
        Nominal impedance of one driver.
    in_series : int
        Drivers one behind the other in each string.
    in_parallel : int
        Strings side by side.
    driver_minimum_ohm : float, optional
        Lowest impedance of one driver, measured or from its data sheet; 0.8 times nominal where it
        is not known.

    Raises
    ------
    ValueError
        If an impedance is not positive, the lowest exceeds the nominal one, or a count is below 1.
    """

    driver_nominal_ohm: float
    in_series: int = 1
    in_parallel: int = 1
    driver_minimum_ohm: float | None = None

    def __post_init__(self) -> None:
        require_positive(self.driver_nominal_ohm, "driver_nominal_ohm")
        if self.driver_minimum_ohm is not None:
            require_positive(self.driver_minimum_ohm, "driver_minimum_ohm")
            if self.driver_minimum_ohm > self.driver_nominal_ohm:
                raise ValueError(
                    f"driver_minimum_ohm ({self.driver_minimum_ohm:g}) exceeds the nominal "
                    f"{self.driver_nominal_ohm:g} ohm: are they swapped?"
                )
        for name in ("in_series", "in_parallel"):
            count = getattr(self, name)
            if not (isinstance(count, int) and count >= 1):
                raise ValueError(f"{name} is a whole number of at least 1, got {count!r}")

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
        return power_into_w(voltages, impedance_ohm=self.nominal_ohm)

    def largest_power_w(self, voltages: ArrayLike) -> FloatArray:
        """Return the power where the impedance is lowest, in W (1.25 times at 0.8 of nominal)."""
        return power_into_w(voltages, impedance_ohm=self.minimum_ohm)

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


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerRating:
    """Continuous sine power into one rated load.

    Attributes
    ----------
    power_w, load_ohm : float

    Raises
    ------
    ValueError
        If either is not finite and positive.
    """

    power_w: float
    load_ohm: float

    def __post_init__(self) -> None:
        require_positive(self.power_w, "power_w")
        require_positive(self.load_ohm, "load_ohm")

    @property
    def voltage(self) -> float:
        """Voltage of that power, in V."""
        return voltage_for_power(self.power_w, impedance_ohm=self.load_ohm)


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
        if self.minimum_load_ohm is not None:
            require_positive(self.minimum_load_ohm, "minimum_load_ohm")
        object.__setattr__(self, "ratings", ratings)

    @property
    def minimum_ohm(self) -> float:
        """Lowest nominal load that the amplifier may drive."""
        if self.minimum_load_ohm is None:
            return self.ratings[0].load_ohm
        return self.minimum_load_ohm

    def load_fault(self, load: Load) -> LoadFault | None:
        """Return why a load must be refused, or None where it may be driven."""
        if load.nominal_ohm < self.minimum_ohm * (1.0 - 1e-9):
            return LoadFault.NOMINAL_BELOW_MINIMUM
        if load.minimum_ohm < MINIMUM_SHARE * self.minimum_ohm * (1.0 - 1e-9):
            return LoadFault.DIPS_BELOW_MINIMUM
        return None

    def check_load(self, load: Load) -> None:
        """Refuse a load below the amplifier's minimum.

        Raises
        ------
        ValueError
            If the load's nominal impedance is below the amplifier's minimum, or its lowest
            impedance below 0.8 times that.
        """
        fault = self.load_fault(load)
        if fault is LoadFault.NOMINAL_BELOW_MINIMUM:
            raise ValueError(
                f"the load of {load} is below the amplifier's minimum of {self.minimum_ohm:g} ohm: "
                "do not connect it; wire the drivers in series, or use fewer"
            )
        if fault is LoadFault.DIPS_BELOW_MINIMUM:
            raise ValueError(
                f"the load dips to {load.minimum_ohm:.2f} ohm; one of {self.minimum_ohm:g} ohm "
                f"nominal, the amplifier's minimum, dips to {MINIMUM_SHARE * self.minimum_ohm:.2f} "
                "ohm: do not connect it"
            )

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
