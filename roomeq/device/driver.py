"""How far a driver moves: boxes, the piston formula, what a protective high-pass relieves.

Conventions
-----------
Frequencies in Hz, ``s = j 2 pi f``, displacement in m one way from rest, volume displacement in
cubic metres, air density in kg per cubic metre. A displacement ratio is X(s)/X(0) for constant
voltage. Levels are re 20 micropascals; "half space" is a driver on the ground or in a wall. Into it
a piston gives ``p_rms = rho (2 pi f)**2 Vd / (sqrt(2) * 2 pi r)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import ComplexArray, FloatArray, amplitude_ratio_db
from roomeq.device.crossover import CrossoverFilter, chain_response

AIR_DENSITY = 1.204
"""Of dry air at 20 degrees Celsius, in kg per cubic metre."""

REFERENCE_VOLTAGE = 2.83
"""V at which sensitivities are stated: 1 W into 8 ohm."""

_REFERENCE_PRESSURE = 20e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedBox:
    """A driver in a closed box: a second-order high-pass.

    Attributes
    ----------
    resonance : float
        Of the driver in its box, in Hz.
    q : float
        Total Q there.
    """

    resonance: float
    q: float

    @property
    def unloads_below(self) -> float | None:
        """Frequency below which the driver loses its air spring: none in a closed box."""
        return None

    def displacement_ratio(self, frequencies: ArrayLike) -> ComplexArray:
        """Return X(s)/X(0) = 1 / (1 + s / (Q w0) + (s / w0)**2), shape (F,)."""
        s = 1j * np.asarray(frequencies, dtype=np.float64) / self.resonance
        return np.asarray(1.0 / (1.0 + s / self.q + s**2))

    def pressure_ratio(self, frequencies: ArrayLike) -> ComplexArray:
        """Return pressure over that far above resonance, (s / w0)**2 X(s)/X(0), shape (F,)."""
        s = 1j * np.asarray(frequencies, dtype=np.float64) / self.resonance
        return np.asarray(s**2 * self.displacement_ratio(frequencies))


@dataclass(frozen=True, slots=True, kw_only=True)
class VentedBox:
    """A driver in a vented box: a fourth-order high-pass, unloaded below its tuning.

    R. H. Small, "Vented-Box Loudspeaker Systems", JAES 21(5), 1973: response and displacement
    functions with leakage losses.

    Attributes
    ----------
    tuning : float
        Of box and vent, in Hz.
    resonance : float
        Of the driver in free air, in Hz.
    q : float
        Total Q of the driver at its resonance.
    compliance_ratio : float
        Equivalent volume of the driver's suspension over the volume of the box.
    leakage_q : float
        Q of the box's leakage at its tuning (7: common practice, no source).
    """

    tuning: float
    resonance: float
    q: float
    compliance_ratio: float
    leakage_q: float = 7.0

    @property
    def unloads_below(self) -> float | None:
        """Frequency below which the driver loses its air spring: the tuning, in Hz."""
        return self.tuning

    def _denominator(self, s: ComplexArray) -> ComplexArray:
        box, driver = 1.0 / (2.0 * math.pi * self.tuning), 1.0 / (2.0 * math.pi * self.resonance)
        both, leak, q = box * driver, self.leakage_q, self.q
        second = (self.compliance_ratio + 1.0) * box**2 + both / (leak * q) + driver**2
        third, first = both * (box / q + driver / leak), box / leak + driver / q
        return np.asarray(np.polyval([both**2, third, second, first, 1.0], s))

    def displacement_ratio(self, frequencies: ArrayLike) -> ComplexArray:
        """Return X(s)/X(0), shape (F,); X(0) is held by the suspension alone."""
        s = np.asarray(2j * math.pi * np.asarray(frequencies), dtype=np.complex128)
        box = s / (2.0 * math.pi * self.tuning)
        return np.asarray((box**2 + box / self.leakage_q + 1.0) / self._denominator(s))

    def pressure_ratio(self, frequencies: ArrayLike) -> ComplexArray:
        """Return pressure of driver, vent and leak over that far above resonance, shape (F,)."""
        s = np.asarray(2j * math.pi * np.asarray(frequencies), dtype=np.complex128)
        top = s / (2.0 * math.pi * self.tuning) * s / (2.0 * math.pi * self.resonance)
        return np.asarray(top**2 / self._denominator(s))


Box = ClosedBox | VentedBox


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """Equal drivers in a box, with what is needed to say how far they move.

    Attributes
    ----------
    box : ClosedBox or VentedBox
    piston_area_m2 : float
        Of one driver.
    largest_displacement : float
        How far one driver may move one way, in m, peak.
    sensitivity_db : float
        dB SPL at 1 m in half space for 2.83 V at the terminals of the whole subwoofer, far above
        resonance.
    count : int
        Drivers that move alike.
    """

    box: Box
    piston_area_m2: float
    largest_displacement: float
    sensitivity_db: float
    count: int = 1

    def peak_displacement(self, voltages: ArrayLike, frequencies: ArrayLike) -> FloatArray:
        """Return the peak displacement of sines of given root mean square voltage, in m.

        Far above resonance x = X(0) (f0 / f)**2, so that the piston formula gives the sensitivity.
        """
        pressure = _REFERENCE_PRESSURE * 10.0 ** (self.sensitivity_db / 20.0) / REFERENCE_VOLTAGE
        moved = 2.0 * math.pi * pressure / (AIR_DENSITY * (2.0 * math.pi * self.box.resonance) ** 2)
        rest = moved / (self.count * self.piston_area_m2)  # for 1 V, towards 0 Hz
        ratio = np.abs(self.box.displacement_ratio(frequencies))
        rms = np.asarray(voltages, dtype=np.float64) * rest * ratio
        return np.asarray(math.sqrt(2.0) * rms)

    def free_field_level_db(self, voltages: ArrayLike, frequencies: ArrayLike) -> FloatArray:
        """Return the level at 1 m in half space for given voltages, in dB SPL."""
        ratio = self.box.pressure_ratio(frequencies)
        drive = np.asarray(voltages, dtype=np.float64) / REFERENCE_VOLTAGE
        return np.asarray(self.sensitivity_db + amplitude_ratio_db(ratio * drive))


def moved_displacement_db(
    box: Box, filters: tuple[CrossoverFilter | None, ...], frequencies: ArrayLike
) -> FloatArray:
    """Return the displacement behind filters at constant input, in dB re X(0), shape (F,)."""
    ratio = box.displacement_ratio(frequencies) * chain_response(filters, frequencies)
    return amplitude_ratio_db(ratio)
