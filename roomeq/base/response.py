"""Frequency responses: small frozen values.

Conventions
-----------
The last axis is frequency, in Hz, strictly increasing and positive. One form is stored: a complex
pressure ratio where phase is known, else a level in dB. Every other view is derived. The time
convention is ``exp(+j omega t)``: a delay turns the phase downwards with frequency.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roomeq.base.errors import MissingPhaseError
from roomeq.base.levels import (
    ComplexArray,
    FloatArray,
    amplitude_ratio,
    amplitude_ratio_db,
    readonly,
)

if TYPE_CHECKING:
    from pandas import DataFrame

LevelReference = Literal["spl", "relative"]
Resolution = Literal["narrow", "third_octave"]


def checked_frequencies(frequencies: ArrayLike) -> FloatArray:
    """Return a read-only copy of a frequency axis, shape (F,), in Hz.

    Raises
    ------
    ValueError
        If the axis is not one-dimensional, finite, positive and strictly increasing.
    """
    axis = readonly(frequencies)
    if axis.ndim != 1 or axis.size == 0:
        raise ValueError(f"frequencies must be one-dimensional and not empty, got {axis.shape}")
    accepted = np.isfinite(axis) & (axis > 0)
    accepted[1:] &= axis[1:] > axis[:-1]
    if not accepted.all():
        index = int(np.argmin(accepted))
        raise ValueError(
            "frequencies must be finite, positive and strictly increasing: "
            f"entry {index} is {axis[index]:g} Hz"
        )
    return axis


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrequencyResponse:
    """A frequency response, or several on one axis.

    Make one with `from_level` or `from_pressure`; change one with `dataclasses.replace`.

    Attributes
    ----------
    frequencies : ndarray, shape (F,)
        Hz, finite, positive, strictly increasing.
    stored : ndarray, shape (..., F)
        Complex pressure ratio, or level in dB where phase is not known. Finite.
    level_reference : {"relative", "spl"}
        Whether 0 dB is 20 micropascals or arbitrary.
    resolution : {"narrow", "third_octave"}
        Whether a value belongs to its frequency, or is the power in the third-octave band there.
    snr_db : ndarray, shape (F,), optional
        Signal-to-noise ratio in dB, where it is known.

    Raises
    ------
    ValueError
        If an array is not finite or shapes differ.
    """

    frequencies: FloatArray
    stored: NDArray[Any]
    level_reference: LevelReference = "relative"
    resolution: Resolution = "narrow"
    snr_db: FloatArray | None = None

    def __post_init__(self) -> None:
        axis = checked_frequencies(self.frequencies)
        raw = np.asarray(self.stored)
        stored = readonly(raw, dtype=np.complex128 if np.iscomplexobj(raw) else np.float64)
        if stored.ndim == 0 or stored.shape[-1] != axis.size:
            raise ValueError(
                f"values of shape {stored.shape} do not fit {axis.size} frequencies (last axis)"
            )
        if not np.isfinite(stored).all():
            index = int(np.argmin(np.isfinite(stored).reshape(-1, axis.size).all(axis=0)))
            raise ValueError(f"values must be finite: not so at {axis[index]:g} Hz")
        object.__setattr__(self, "frequencies", axis)
        object.__setattr__(self, "stored", stored)
        if self.snr_db is not None:
            snr = readonly(self.snr_db)
            if snr.shape != axis.shape or not np.isfinite(snr).all():
                raise ValueError("snr_db must be finite and have one value for each frequency")
            object.__setattr__(self, "snr_db", snr)

    @classmethod
    def from_level(
        cls,
        frequencies: ArrayLike,
        level_db: ArrayLike,
        *,
        phase_deg: ArrayLike | None = None,
        **others: Any,
    ) -> Self:
        """Make a response from level in dB and, where known, phase in degrees.

        Without `phase_deg` the response has no phase and asking for it raises.
        """
        stored: NDArray[Any] = np.asarray(level_db, dtype=np.float64)
        if phase_deg is not None:
            turned = np.exp(1j * np.deg2rad(np.asarray(phase_deg, dtype=np.float64)))
            stored = amplitude_ratio(stored) * turned
        return cls(frequencies=np.asarray(frequencies), stored=stored, **others)

    @classmethod
    def from_pressure(cls, frequencies: ArrayLike, pressure: ArrayLike, **others: Any) -> Self:
        """Make a response from a complex pressure ratio."""
        return cls(
            frequencies=np.asarray(frequencies),
            stored=np.asarray(pressure, dtype=np.complex128),
            **others,
        )

    def to_frame(self) -> DataFrame:
        """Return the response as a tidy table, one row for each frequency.

        Returns
        -------
        DataFrame
            Columns ``frequency`` in Hz, ``level_db``, ``phase_deg`` and ``snr_db`` where known,
            ``level_reference``, ``resolution``; for several responses on one axis also
            ``response``, counted from 0 in row-major order, one below the other.
        """
        from pandas import DataFrame

        rows = self.stored.size // self.frequencies.size
        columns: dict[str, Any] = {"frequency": np.tile(self.frequencies, rows)}
        columns["level_db"] = self.level_db.ravel()
        if self.has_phase:
            columns["phase_deg"] = self.phase_deg.ravel()
        if self.snr_db is not None:
            columns["snr_db"] = np.tile(self.snr_db, rows)
        if self.stored.ndim > 1:
            columns = {"response": np.repeat(np.arange(rows), self.frequencies.size), **columns}
        columns |= {"level_reference": self.level_reference, "resolution": self.resolution}
        return DataFrame(columns)

    @property
    def has_phase(self) -> bool:
        """Whether phase is known."""
        return bool(np.iscomplexobj(self.stored))

    @property
    def level_db(self) -> FloatArray:
        """Level in dB, shape (..., F)."""
        return amplitude_ratio_db(self.stored) if self.has_phase else self.stored

    @property
    def pressure(self) -> ComplexArray:
        """Complex pressure ratio, shape (..., F).

        Raises
        ------
        MissingPhaseError
            If phase is not known.
        """
        if not self.has_phase:
            raise MissingPhaseError(
                "this response has level only: measure with phase, or export the phase column"
            )
        return self.stored

    def pressure_at(self, points: FloatArray) -> ComplexArray:
        """Return the pressure of one response at other frequencies within its own, shape (P,).

        Between measured frequencies it is interpolated in level and unwrapped phase, so that a
        delay common to several responses does not make dips in their mean.
        """
        pressure, floor = self.pressure, np.finfo(np.float64).tiny
        level = np.log(np.maximum(np.abs(pressure), floor))
        level = np.interp(np.log(points), np.log(self.frequencies), level)
        phase = np.interp(points, self.frequencies, np.unwrap(np.angle(pressure)))
        return np.asarray(np.exp(level + 1j * phase))

    @property
    def phase_deg(self) -> FloatArray:
        """Phase in degrees, wrapped to [-180, 180], shape (..., F); raises as `pressure` does."""
        return np.asarray(np.angle(self.pressure, deg=True))

    def filtered(self, transfer: ArrayLike, *, inverse: bool = False) -> Self:
        """Return the response with a transfer function put in, or with `inverse` taken out.

        Parameters
        ----------
        transfer : array_like, shape (F,)
            Complex amplitude ratio on this response's axis.
        inverse : bool
            Divide instead of multiply.
        """
        ratio = np.asarray(transfer, dtype=np.complex128) ** (-1 if inverse else 1)
        own = self.stored
        return replace(
            self, stored=own * ratio if self.has_phase else own + amplitude_ratio_db(ratio)
        )

    def __repr__(self) -> str:
        phase = "with phase" if self.has_phase else "level only"
        unit = "dB SPL" if self.level_reference == "spl" else "relative level"
        return (
            f"<FrequencyResponse {self.frequencies.size} points, {self.frequencies[0]:.4g} to "
            f"{self.frequencies[-1]:.4g} Hz, {phase}, {unit}, {self.resolution}>"
        )
