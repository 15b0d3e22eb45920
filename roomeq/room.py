"""A room: survey, device, target and limits, and what had to be taken for granted.

Conventions
-----------
Everything that was not stated but had to be taken for something is listed in `assumptions`, in
words. Frequencies in Hz, levels in dB.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from roomeq.analysis.smoothing import band_levels_db
from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.bands import third_octave_bands
from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.device.profile import Device
from roomeq.equipment import Equipment, WantedLevel
from roomeq.importers.digests import InputFile
from roomeq.importers.survey_files import SurveyFiles
from roomeq.joining_setup import JoiningSetup
from roomeq.levels import FloatArray, amplitude_ratio_db, level_mean_db, power_mean_db, readonly
from roomeq.optimiser.fit_data import fit_span
from roomeq.optimiser.limits import Limits
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.target import Target, estimate_corner, estimate_lower_limit
from roomeq.response import LevelReference
from roomeq.survey import Source, Survey

if TYPE_CHECKING:
    from roomeq.recorded import RecordedSweep

__all__ = ["PresentSettings", "Room", "assemble_room"]

CornerOrigin = Literal["path", "stated", "estimated", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PresentSettings:
    """The device's settings while it was measured.

    Attributes
    ----------
    gains_db : ndarray, shape (B,)
        Gain of every band.
    level_db : float or None
        Level knob; None where it is not known.
    polarity : {"normal", "inverted"} or None
    phase_deg : float or None
    gains_stated : bool
        Whether the gains were stated; else they are taken for 0.
    delay_stated : bool
        Whether the delay (`JoiningSetup.present_delay`) was stated; else it is taken for 0.
    """

    gains_db: FloatArray
    level_db: float | None = None
    polarity: Literal["normal", "inverted"] | None = None
    phase_deg: float | None = None
    gains_stated: bool = True
    delay_stated: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "gains_db", readonly(self.gains_db))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Room:
    """All that is known of a room.

    Attributes
    ----------
    name : str
    survey : Survey
    source : {"sub", "mains", "both"}
        Which measurements the band gains are fitted to.
    device : Device
    present : PresentSettings
    target : Target
    limits : Limits
    loss : Loss
    path : tuple of CrossoverFilter
        Filters in force in the subwoofer's path.
    corner : float or None
        Crossover corner in Hz.
    corner_origin : {"path", "stated", "estimated", "unknown"}
    repeatability_db : float or None
    record : dict of str to str
    inputs : tuple of InputFile
    assumptions, notes, findings : tuple of str
        What was taken for granted; what importers did; what looks wrong.
    equipment : Equipment
        Amplifier, load, driver, protective high-pass, as far as they are known.
    wanted : WantedLevel or None
        How loud it is to become.
    joining : JoiningSetup
        Time reference, paths and what a processor offers, as far as they are known.
    recordings : tuple of RecordedSweep
        What each recorded sweep is worth, those included that were left out.
    """

    name: str
    survey: Survey
    source: Source
    device: Device
    present: PresentSettings
    target: Target
    limits: Limits
    loss: Loss
    path: tuple[CrossoverFilter, ...]
    corner: float | None
    corner_origin: CornerOrigin
    repeatability_db: float | None
    record: dict[str, str]
    inputs: tuple[InputFile, ...]
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]
    findings: tuple[str, ...]
    equipment: Equipment = field(default_factory=Equipment)
    wanted: WantedLevel | None = None
    joining: JoiningSetup = field(default_factory=JoiningSetup)
    recordings: tuple[RecordedSweep, ...] = ()

    @property
    def equaliser(self) -> FixedBandEqualiser:
        """The device's equaliser."""
        return self.device.equaliser

    @property
    def level_reference(self) -> LevelReference:
        """Whether the fitted measurements are in dB SPL; one relative one makes all relative."""
        fitted = self.survey.of_source(self.source).measurements
        absolute = all(m.response.level_reference == "spl" for m in fitted)
        return "spl" if absolute else "relative"

    @property
    def doubtful(self) -> bool:
        """Whether anything was found that wants a look before anything is set by it."""
        return bool(self.findings) or any(one.alarms for one in self.recordings)

    def used_span(self, source: Source) -> tuple[float, float]:
        """Return from where to where, in Hz, the measurements of a source are used.

        The fitted source: the span of the fit, from half an octave below the subwoofer's lower
        limit. The mains: from half the crossover corner to 300 Hz, which tells their level. Another
        one: from there to there.
        """
        lowest, highest = fit_span(
            self.equaliser,
            corner=self.corner,
            clear_of_corner=self.source == "both" or self.corner_origin in ("stated", "estimated"),
        )
        if self.target.lower_limit is not None:
            lowest = min(max(lowest, self.target.lower_limit / 2.0**0.5), 0.9 * highest)
        if source == self.source:
            return lowest, highest
        if source == "mains":
            lowest = 0.5 * (self.corner or 80.0)
        return lowest, 300.0

    def __repr__(self) -> str:
        return f"<Room {self.name}: {self.survey!r}, device {self.device.profile}>"


def assemble_room(
    files: SurveyFiles,
    *,
    name: str,
    device: Device,
    present: PresentSettings,
    path: tuple[CrossoverFilter, ...],
    stated_corner: float | None,
    target: Target,
    limits: Limits,
    loss: Loss,
    record: dict[str, str],
    further_inputs: tuple[InputFile, ...],
    assumptions: list[str],
    level_from_mains: bool,
) -> Room:
    """Put a room together; what was not stated is estimated and listed among the assumptions.

    Parameters
    ----------
    files : SurveyFiles
    name : str
    device : Device
    present : PresentSettings
    path : tuple of CrossoverFilter
    stated_corner : float or None
        Crossover corner in Hz where the path does not tell it.
    target : Target
        Its lower limit and level are filled in.
    limits : Limits
    loss : Loss
    record : dict of str to str
    further_inputs : tuple of InputFile
        Files that the survey does not know of.
    assumptions : list of str
        Those made so far.
    level_from_mains : bool
        Whether the wanted level is that of the mains.

    Raises
    ------
    ValueError
        If the subwoofer was not measured, or a wanted level does not fit the measurements.
    """
    survey = files.survey
    source = _fitted_source(survey, assumptions)
    fitted = survey.of_source(source)
    axis = common_axis(fitted)
    levels = seat_levels_db(fitted, at=axis)
    levels = levels - device.equaliser.response_db(present.gains_db, axis)
    corner, origin = _corner(path, stated_corner, axis, levels, assumptions)
    without_path = levels - amplitude_ratio_db(chain_response(target.path, axis))
    target = _with_lower_limit(target, axis, without_path, fitted.weights, assumptions)
    target = _with_level(target, survey, corner, level_from_mains, assumptions)
    return Room(
        name=name,
        survey=survey,
        source=source,
        device=device,
        present=present,
        target=target,
        limits=limits,
        loss=loss,
        path=path,
        corner=corner,
        corner_origin=origin,
        repeatability_db=files.repeatability_db,
        record=record,
        inputs=(*files.inputs, *further_inputs),
        assumptions=tuple(dict.fromkeys(assumptions)),
        notes=files.notes,
        findings=files.findings,
    )


def _fitted_source(survey: Survey, assumptions: list[str]) -> Source:
    """Prefer the subwoofer alone; fall back on subwoofer and mains together."""
    if "sub" in survey.sources:
        return "sub"
    if "both" in survey.sources:
        assumptions.append(
            "subwoofer and mains were measured together: bands are fitted only below 0.7 times "
            "the crossover corner, where the subwoofer alone has its say"
        )
        return "both"
    raise ValueError(
        "the subwoofer was not measured: band gains need measurements with source 'sub' or 'both'"
    )


def _corner(
    path: tuple[CrossoverFilter, ...],
    stated: float | None,
    axis: FloatArray,
    levels: FloatArray,
    assumptions: list[str],
) -> tuple[float | None, CornerOrigin]:
    in_path = [entry.corner for entry in path if entry.kind == "low_pass"]
    if in_path:
        return min(in_path), "path"
    if stated is not None:
        assumptions.append(
            f"the crossover corner is stated ({stated:g} Hz), but not the low-pass itself: bands "
            "are fitted only below 0.7 times the corner, where it hardly matters"
        )
        return stated, "stated"
    estimated = estimate_corner(axis, levels)
    if estimated is None:
        assumptions.append(
            "no low-pass is stated and the level does not fall towards higher frequencies: "
            "fitted up to the highest band"
        )
        return None, "unknown"
    assumptions.append(
        f"the crossover corner is not stated: taken for about {estimated:.0f} Hz, where the level "
        "at the seats falls; bands are fitted only where that does not matter"
    )
    return estimated, "estimated"


def _with_lower_limit(
    target: Target,
    axis: FloatArray,
    levels: FloatArray,
    weights: FloatArray,
    assumptions: list[str],
) -> Target:
    if target.lower_limit is not None:
        return target
    if target.near_field is not None:
        level = target.near_field.level_db[np.newaxis]
        found = estimate_lower_limit(target.near_field.frequencies, level)
        origin = "from the response close to the subwoofer"
    else:
        found = estimate_lower_limit(axis, levels, weights=weights)
        origin = "where the mean over seats has fallen by 6 dB"
    if found is None:
        assumptions.append(
            "the subwoofer's lower limit is not known: bands below 25 Hz may only cut"
        )
        return target
    assumptions.append(f"the subwoofer's lower limit is taken for {found:.0f} Hz, {origin}")
    return replace(target, lower_limit=found)


def _with_level(
    target: Target,
    survey: Survey,
    corner: float | None,
    from_mains: bool,
    assumptions: list[str],
) -> Target:
    """Take the wanted level from the mains, or refuse one that the measurements cannot bear."""
    if from_mains:
        level_db = _mains_level_db(survey, corner)
        assumptions.append(f"the wanted level is that of the mains: {level_db:.1f} dB")
        return replace(target, level_db=level_db)
    if target.level_db is not None:
        references = {m.response.level_reference for m in survey.measurements}
        if references != {"spl"}:
            raise ValueError(
                "a wanted level in dB SPL needs measurements in dB SPL; these are relative: "
                "leave level_spl_db out, or export in dB SPL"
            )
    return target


def _mains_level_db(survey: Survey, corner: float | None) -> float:
    """Return the mains' level over 1.5 times the corner to 300 Hz, power mean over seats, in dB.

    Which span stands for the mains is common practice, no source.
    """
    lowest = 1.5 * corner if corner is not None else 120.0
    mains = survey.of_source("mains")
    bands = third_octave_bands(lowest, 300.0)
    axis = common_axis(mains, lowest=bands[0].lower / 1.03, highest=bands[-1].upper * 1.03)
    levels = band_levels_db(axis, seat_levels_db(mains, at=axis), bands=bands)
    return float(level_mean_db(power_mean_db(levels, weights=mains.weights)))
