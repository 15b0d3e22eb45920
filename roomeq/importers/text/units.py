"""Units of a text export's columns: told, or judged by what is plausible, then converted.

Conventions
-----------
Frequencies become Hz, levels dB, phases degrees. Pascals become dB re 20 micropascals
(ISO 1683), ratios and voltages 20 lg. A unit that is neither given nor written in the heading is
assumed only where the values leave one reading; the note says so. Bounds of what is plausible are
common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.base.levels import FloatArray, amplitude_ratio_db
from roomeq.base.response import LevelReference
from roomeq.importers.text.layout import IndexArray
from roomeq.importers.text.words import Heading

FrequencyUnit = Literal["Hz", "kHz"]
LevelUnit = Literal["dB", "dB SPL", "dBFS", "Pa", "ratio"]
PhaseUnit = Literal["deg", "rad"]

LINEAR_SCALES = {"ratio": 1.0, "Pa": 1.0 / 20e-6, "mPa": 1e-3 / 20e-6, "uPa": 1e-6 / 20e-6}
"""What makes ratios of amplitudes; of pressures those to 20 micropascals, 0 dB SPL (ISO 1683)."""

_LARGEST_SNR_DB = 60.0
_TURN = 2.0 * np.pi


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Column:
    """One column of a text export, in the rows that make the response.

    Attributes
    ----------
    number : int
        Counted from 1.
    heading : Heading
    values : ndarray, shape (N,)
        As they stand in the file; nan where there is none.
    lines : ndarray, shape (N,)
        Line of each.
    """

    number: int
    heading: Heading
    values: FloatArray
    lines: IndexArray

    @property
    def where(self) -> str:
        """The column in words."""
        return f"column {self.number}"

    @property
    def span(self) -> str:
        """Smallest and largest value in words."""
        return f"{np.nanmin(self.values):g} to {np.nanmax(self.values):g}"

    def at(self, rows: IndexArray) -> Column:
        """Return the column in some rows."""
        return replace(self, values=self.values[rows], lines=self.lines[rows])

    def fault(self, message: str, remedy: str) -> MeasurementFileError:
        """Return the error that the column cannot be what it should."""
        return MeasurementFileError(message, where=self.where, remedy=remedy)

    def unclear(self, message: str, remedy: str) -> AmbiguousTableError:
        """Return the error that its values can be read in more than one way."""
        return AmbiguousTableError(
            f"values of {self.span} {message}", where=self.where, remedy=remedy
        )


def frequency_scale(column: Column, *, unit: FrequencyUnit | None, notes: list[str]) -> float:
    """Return the factor that makes Hz of frequencies above zero; note what is assumed.

    Raises
    ------
    AmbiguousTableError
        If the unit is not known and the values may be kHz, or do not suit the unit written.
    MeasurementFileError
        If the column is in a unit that is no frequency of sound.
    """
    told = unit or column.heading.unit
    if told in ("MHz", "rad/s"):
        raise column.fault(f"frequencies in {told} are not read", "export them in Hz or kHz")
    lowest, highest = column.values.min(), column.values.max()
    if told in ("kHz", "Hz"):
        no_sound = highest > 1000.0 if told == "kHz" else highest < 1.0
    else:
        no_sound = (lowest < 5.0 and highest <= 30.0) or (lowest < 1.0 and highest <= 100.0)
    if no_sound and unit is None:
        remedy = 'give frequency_unit="Hz" or frequency_unit="kHz"'
        raise column.unclear(f"are no sound in {told}" if told else "may be Hz or kHz", remedy)
    if told not in ("kHz", "Hz"):
        notes.append(f"frequencies assumed in Hz ({column.span})")
    return 1000.0 if told == "kHz" else 1.0


def level_in_db(
    column: Column, *, unit: LevelUnit | None, notes: list[str]
) -> tuple[FloatArray, LevelReference]:
    """Return a level column without gaps in dB, and its reference; note what is assumed.

    Raises
    ------
    AmbiguousTableError
        If the values may be ratios or dB.
    MeasurementFileError
        If the levels are weighted, or a ratio or pressure is negative.
    """
    heading, values = column.heading, column.values
    if unit is None and heading.weighting is not None:
        remedy = 'export them unweighted (Z), or give level_unit="dB" to read them as they are'
        raise column.fault(f"levels are {heading.weighting}-weighted", remedy)
    told: str | None = unit or heading.unit
    lowest, highest = values.min(), values.max()
    if told not in ("dB", "dB SPL", "dBFS", *LINEAR_SCALES):
        if lowest >= 0 and highest <= 20.0:
            raise column.unclear(
                "may be dB, ratios or pascals", 'give level_unit="dB", "ratio" or "Pa"'
            )
        if max(-lowest, highest) > 400.0:
            raise column.unclear("are no levels in dB", "give level_column, or level_unit")
        notes.append(f"{column.where}: levels assumed in dB ({column.span}), relative")
    if told in LINEAR_SCALES:
        if lowest < 0:
            remedy = "give level_unit, or export magnitudes"
            raise column.fault(f"{lowest:g} cannot be a magnitude in {told}", remedy)
        values = amplitude_ratio_db(values * LINEAR_SCALES[told])
    return values, "spl" if told in ("dB SPL", "Pa", "mPa", "uPa") else "relative"


def phase_in_deg(column: Column, *, unit: PhaseUnit | None, notes: list[str]) -> FloatArray:
    """Return a phase column in degrees, wrapped or not as it came; note what is assumed.

    Raises
    ------
    AmbiguousTableError
        If the values may be degrees or radians, or turn as radians do under a heading of degrees.
    """
    values = column.values
    told: str | None = unit or column.heading.unit
    likely = _plausible_phase_unit(values[np.isfinite(values)])
    if told not in ("deg", "rad") or (unit, told, likely) == (None, "deg", "rad"):
        if likely is None or told == "deg":
            said = "are headed degrees, but turn as" if likely else "may be degrees or"
            remedy = 'give phase_unit="deg" or phase_unit="rad"'
            raise column.unclear(f"{said} radians", remedy)
        told = likely
        word = "degrees" if told == "deg" else "radians"
        notes.append(f"{column.where}: phases assumed in {word} ({column.span})")
    return np.rad2deg(values) if told == "rad" else values


def _plausible_phase_unit(phases: FloatArray) -> str | None:
    largest = float(np.abs(phases).max(initial=0.0))
    steps = np.abs(np.diff(phases))
    if largest > 1.001 * _TURN:
        # Unwrapped radians go on in steps below pi, and reach beyond a full turn; degrees that
        # do the same in small steps cannot be told from them.
        wrapped = largest > 100.0 and phases.min() >= -180.5 and phases.max() <= 360.5
        return "deg" if wrapped or steps.max(initial=0.0) > np.pi else None
    reaches = phases.min() < -0.9 * np.pi and phases.max() > 0.9 * np.pi
    jumps = steps.max(initial=0.0) > 0.75 * _TURN
    return "rad" if reaches and jumps else None


def coherence_snr_db(column: Column) -> FloatArray | None:
    """Return signal-to-noise ratios in dB from coherence, or None if the values are not usable.

    With noise in the output only, the ordinary coherence c is the share of the output that stems
    from the input, so that the signal-to-noise ratio is c / (1 - c) (Bendat and Piersol, Random
    Data, chapter on single-input/single-output relations). Clipped to 60 dB either way.
    """
    share = column.values / (100.0 if column.heading.unit == "%" else 1.0)
    if not np.all((share >= 0.0) & (share <= 1.0 + 1e-6)):
        return None
    smallest = 1.0 / (1.0 + 10.0 ** (_LARGEST_SNR_DB / 10.0))
    share = np.clip(share, smallest, 1.0 - smallest)
    return np.asarray(10.0 * np.log10(share / (1.0 - share)))
