"""The fixed-band equaliser of a device, as data.

Conventions
-----------
Bands are in rising order of their exact mid-band frequencies in Hz. Gains are in dB at the centre
of a band, on the device's step grid, 0 among them. Responses of bands in a row add in dB.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import ThirdOctaveBand, third_octave_band
from roomeq.base.levels import ComplexArray, FloatArray, amplitude_ratio_db, readonly
from roomeq.device.crossover import peaking_response
from roomeq.device.found_band import FoundBand, by_side

THIRD_OCTAVE_Q = 4.318
_SPELLING = 0.01  # exact centres name a band, too
_NOMINAL_OCTAVES = 0.02  # nominal centres lie within 0.95 % of the exact ones


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QLaw:
    """How the Q of a band follows its gain.

    Attributes
    ----------
    gain_db : ndarray, shape (P,)
        Magnitudes of gain in dB, not negative, rising. One entry is a constant Q.
    q : ndarray, shape (P,)
        Q there; linear in between, constant outside.
    measured : bool
        Whether the values were measured on the device; if not they are marked as assumed.

    Raises
    ------
    ValueError
        If the points are not rising or not positive.
    """

    gain_db: FloatArray
    q: FloatArray
    measured: bool = False

    def __post_init__(self) -> None:
        gain, q = readonly(self.gain_db), readonly(self.q)
        if gain.ndim != 1 or gain.shape != q.shape or gain.size == 0:
            raise ValueError("a Q law needs as many Q values as gains, at least one")
        if not (np.isfinite(gain).all() and (gain >= 0).all() and (np.diff(gain) > 0).all()):
            raise ValueError(f"gains of a Q law must be finite, not negative and rising: {gain}")
        if not (np.isfinite(q).all() and (q > 0).all()):
            raise ValueError(f"Q must be finite and positive: {q}")
        object.__setattr__(self, "gain_db", gain)
        object.__setattr__(self, "q", q)

    @classmethod
    def constant(cls, q: float, *, measured: bool = False) -> Self:
        """Make a law with one Q for every gain."""
        return cls(gain_db=np.zeros(1), q=np.array([q]), measured=measured)

    def at(self, gain_db: ArrayLike) -> FloatArray:
        """Return Q at a gain in dB."""
        return np.asarray(np.interp(np.abs(np.asarray(gain_db)), self.gain_db, self.q))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandShape:
    """The response of one band as it was measured on the device, at one gain setting.

    Attributes
    ----------
    gain_db : float
        Setting during the measurement, not 0.
    frequencies, response_db : ndarray, shape (P,)
        Hz, rising; level with the band in, less level with the band at 0.
    """

    gain_db: float
    frequencies: FloatArray
    response_db: FloatArray

    def __post_init__(self) -> None:
        frequencies, response_db = readonly(self.frequencies), readonly(self.response_db)
        if not (math.isfinite(self.gain_db) and self.gain_db != 0):
            raise ValueError(f"a band's shape is measured at a gain other than 0: {self.gain_db!r}")
        if frequencies.ndim != 1 or frequencies.shape != response_db.shape or frequencies.size < 3:
            raise ValueError("a band's shape needs at least three points, frequency and level")
        if not ((np.diff(frequencies) > 0).all() and np.isfinite(response_db).all()):
            raise ValueError("a band's shape needs rising frequencies and finite levels")
        object.__setattr__(self, "frequencies", frequencies)
        object.__setattr__(self, "response_db", response_db)

    def at(self, frequencies: ArrayLike) -> FloatArray:
        """Return the response in dB, linear over ln f, 0 outside what was measured."""
        axis = np.log(np.asarray(frequencies, dtype=np.float64))
        return np.asarray(
            np.interp(axis, np.log(self.frequencies), self.response_db, left=0.0, right=0.0)
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FixedBandEqualiser:
    """Cut/boost bands on fixed centres, in steps.

    Attributes
    ----------
    bands : tuple of ThirdOctaveBand
        Rising.
    lowest_db, highest_db, step_db : float
        Range and step of every band's gain; 0 lies on the grid.
    q_law : QLaw
        Q of the peaking sections.
    sample_rate : float, optional
        Hz if the device computes digitally; below 200 Hz it hardly matters.
    shapes : tuple of tuple of BandShape, optional
        Measured shapes for each band, instead of peaking sections. Between measured gains the
        response in dB is interpolated linearly, beyond them scaled; phase is then not known.
    found : tuple of FoundBand
        Bands of which Q and real gain were measured; the others have `q_law`.

    Raises
    ------
    ValueError
        If the bands are not rising or the grid does not hold 0.
    """

    bands: tuple[ThirdOctaveBand, ...]
    lowest_db: float
    highest_db: float
    step_db: float
    q_law: QLaw
    sample_rate: float | None = None
    shapes: tuple[tuple[BandShape, ...], ...] | None = None
    found: tuple[FoundBand, ...] = ()

    def __post_init__(self) -> None:
        numbers = [band.number for band in self.bands]
        if not numbers or any(b <= a for a, b in itertools.pairwise(numbers)):
            raise ValueError("an equaliser needs bands in rising order, each in a third octave")
        if not (math.isfinite(self.step_db) and self.step_db > 0):
            raise ValueError(f"a step must be positive, got {self.step_db!r}")
        if not (math.isfinite(self.lowest_db) and math.isfinite(self.highest_db)):
            raise ValueError("the range of gains must be finite")
        if not self.lowest_db <= 0 <= self.highest_db:
            raise ValueError(f"the range {self.lowest_db:g} to {self.highest_db:g} dB must hold 0")
        for end in (self.lowest_db, self.highest_db):
            if abs(end / self.step_db - round(end / self.step_db)) > 1e-6:
                raise ValueError(f"{end:g} dB is not a whole number of {self.step_db:g} dB steps")
        if self.shapes is not None:
            if len(self.shapes) != len(self.bands) or not all(self.shapes):
                raise ValueError("measured shapes are needed for every band or for none")
            for shapes in self.shapes:
                if len({shape.gain_db for shape in shapes}) != len(shapes):
                    raise ValueError("a band has two measured shapes at the same gain")

    def __repr__(self) -> str:
        return (
            f"<FixedBandEqualiser {', '.join(self.labels)} Hz, {self.lowest_db:g} to "
            f"{self.highest_db:g} dB in steps of {self.step_db:g}>"
        )

    @classmethod
    def from_centres(
        cls,
        centres: Sequence[float],
        *,
        lowest_db: float = -12.0,
        highest_db: float = 6.0,
        step_db: float = 0.5,
        q: float = THIRD_OCTAVE_Q,
    ) -> Self:
        """Make an equaliser from nominal centres in Hz, with one Q for every gain.

        Parameters
        ----------
        centres : sequence of float
            Nominal third-octave centres, rising: 20, 25, 31.5 ...
        lowest_db, highest_db, step_db : float
        q : float
            4.318 is a third of an octave between the half-gain points (W3C Audio EQ Cookbook).

        Raises
        ------
        ValueError
            If a centre is no nominal one, or the bands or the range are not usable.
        """
        bands = tuple(third_octave_band(centre) for centre in centres)
        for band, centre in zip(bands, centres, strict=True):
            if abs(math.log2(centre / band.centre)) > _NOMINAL_OCTAVES:
                raise ValueError(
                    f"{centre:g} Hz is no third-octave centre (the nearest is {band.label} Hz)"
                )
        return cls(
            bands=bands,
            lowest_db=lowest_db,
            highest_db=highest_db,
            step_db=step_db,
            q_law=QLaw.constant(q),
        )

    @property
    def centres(self) -> FloatArray:
        """Centres as they really lie, in Hz, shape (B,)."""
        return readonly([band.centre for band in self.bands])

    @property
    def labels(self) -> tuple[str, ...]:
        """Centres as printed on the device."""
        return tuple(band.label for band in self.bands)

    def index_of(self, label: float | str) -> int:
        """Return which band a label names, from 0.

        Raises
        ------
        ValueError
            If it names none; the message lists the labels.
        """
        with suppress(ValueError):
            for index, band in enumerate(self.bands):
                if abs(float(label) / band.nominal - 1.0) < _SPELLING:
                    return index
        said = f"{label:g} Hz" if isinstance(label, float | int) else repr(label)
        raise ValueError(f"{said} is none of the device's bands: {', '.join(self.labels)}")

    @property
    def gain_grid_db(self) -> FloatArray:
        """Every gain that a band can take, in dB, rising, shape (K,)."""
        first, last = round(self.lowest_db / self.step_db), round(self.highest_db / self.step_db)
        return readonly(np.round(np.arange(first, last + 1) * self.step_db, 9))

    def scaled_q(self, factor: float) -> Self:
        """Return the equaliser with every Q that was not measured multiplied by `factor`."""
        return replace(self, q_law=replace(self.q_law, q=self.q_law.q * factor))

    @property
    def assumed_q_labels(self) -> tuple[str, ...]:
        """Labels of the bands whose Q was not measured."""
        if self.q_law.measured or self.shapes is not None:
            return ()
        found = (self._found_at(index) for index in range(len(self.bands)))
        told = [one is not None and one.tells_q for one in found]
        return tuple(band.label for band, known in zip(self.bands, told, strict=True) if not known)

    def _found_at(self, index: int) -> FoundBand | None:
        nominal = self.bands[index].nominal
        near = (one for one in self.found if abs(one.centre / nominal - 1.0) < _SPELLING)
        return next(near, None)

    def section(self, index: int, settings_db: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return what settings of a band give: gain at its centre in dB, and Q."""
        settings = np.asarray(settings_db, dtype=np.float64)
        found, q = self._found_at(index), self.q_law.at(settings)
        if found is None:
            return settings, q
        return found.gains_db(settings), found.qs(settings, otherwise=q)

    def checked_gains_db(self, gains_db: ArrayLike) -> FloatArray:
        """Return gains for all bands, shape (B,), if they lie on the grid.

        Raises
        ------
        ValueError
            If the number of gains is wrong or one is off the grid; the band is named.
        """
        gains = readonly(self._one_for_each(gains_db))
        grid = self.gain_grid_db
        for label, gain in zip(self.labels, gains, strict=True):
            if not np.min(np.abs(grid - gain)) < 1e-6:
                raise ValueError(
                    f"band {label} Hz cannot be set to {gain:g} dB: the device offers "
                    f"{self.lowest_db:g} to {self.highest_db:g} dB in steps of {self.step_db:g} dB"
                )
        return gains

    def band_table_db(
        self, index: int, frequencies: ArrayLike, *, gains_db: ArrayLike | None = None
    ) -> FloatArray:
        """Return one band's exact response in dB at several gains.

        Parameters
        ----------
        index : int
            Which band, from 0.
        frequencies : array_like, shape (F,)
            Hz.
        gains_db : array_like, shape (K,), optional
            Gains in dB; the whole grid by default.

        Returns
        -------
        ndarray, shape (K, F)
        """
        gains = self.gain_grid_db if gains_db is None else np.asarray(gains_db, dtype=np.float64)
        if self.shapes is not None:
            known = [(shape.gain_db, shape.at(frequencies)) for shape in self.shapes[index]]
            return by_side(gains, known, grows=True)
        return amplitude_ratio_db(self.band_ratio(index, frequencies, gains))

    def band_ratio(self, index: int, frequencies: ArrayLike, gain_db: ArrayLike) -> ComplexArray:
        """Return one band's amplitude ratio at one gain or several, shape (F,) or (K, F)."""
        real, q = self.section(index, gain_db)
        return peaking_response(
            frequencies,
            centre=self.bands[index].centre,
            q=q,
            gain_db=real,
            sample_rate=self.sample_rate,
        )

    def _one_for_each(self, gains_db: ArrayLike) -> FloatArray:
        gains = np.asarray(gains_db, dtype=np.float64)
        if gains.shape != (len(self.bands),):
            raise ValueError(f"needs {len(self.bands)} gains, one for each band, got {gains.size}")
        return gains

    def response_db(self, gains_db: ArrayLike, frequencies: ArrayLike) -> FloatArray:
        """Return the summed response of all bands in dB, shape (F,)."""
        gains = self._one_for_each(gains_db)
        total = np.zeros(np.shape(frequencies))
        for index in np.flatnonzero(gains):
            (row,) = self.band_table_db(int(index), frequencies, gains_db=gains[index : index + 1])
            total += row
        return total

    def require_phase(self) -> None:
        """Raise ValueError if the bands were measured in level only."""
        if self.shapes is not None:
            raise ValueError("measured band shapes carry no phase: only the level is known")

    def response(self, gains_db: ArrayLike, frequencies: ArrayLike) -> ComplexArray:
        """Return the summed response of all bands as a complex amplitude ratio, shape (F,).

        Raises
        ------
        ValueError
            If the bands were measured in level only, so that their phase is not known, or gains are
            not as many as bands.
        """
        self.require_phase()
        total = np.ones(np.shape(frequencies), dtype=np.complex128)
        gains = self._one_for_each(gains_db)
        for index in np.flatnonzero(gains):
            total = total * self.band_ratio(int(index), frequencies, gains[index])
        return total
