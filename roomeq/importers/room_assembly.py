"""A room put together: what was not stated is estimated, and said.

Conventions
-----------
Frequencies in Hz, levels in dB.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from roomeq.analysis.smoothing import band_levels_db
from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.bands import third_octave_bands
from roomeq.base.levels import FloatArray, level_mean_db, power_mean_db
from roomeq.base.survey import Source, Survey
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.device.profile import Device
from roomeq.importers import doubts
from roomeq.importers.survey_files import SurveyFiles
from roomeq.room.room import CornerOrigin, PresentSettings, Room
from roomeq.wanted.span import fit_span
from roomeq.wanted.target import Target, estimate_upper_limit, with_limit_estimate

USUAL_CORNER = 80.0


def assemble_room(
    files: SurveyFiles,
    *,
    device: Device,
    present: PresentSettings,
    path: tuple[CrossoverFilter, ...] | None,
    stated_corner: float | None,
    target: Target,
    assumptions: list[str],
    level_from_mains: bool = False,
    **stated: Any,
) -> Room:
    """Put a room together; what was not stated is estimated and listed among the assumptions.

    Parameters
    ----------
    files : SurveyFiles
    device : Device
    present : PresentSettings
    path : tuple of CrossoverFilter or None
        Empty where there are said to be none, None where nothing is said.
    stated_corner : float or None
        Crossover corner in Hz where the path does not tell it.
    target : Target
        Its limits and level are filled in.
    assumptions : list of str
        Those made so far.
    level_from_mains : bool
        Whether the wanted level is that of the mains.
    **stated
        What else of `Room` is stated: its name, limits, loss, record.

    Raises
    ------
    ValueError
        If a wanted level does not fit the measurements.
    """
    survey = files.survey
    source = _fitted_source(survey, assumptions)
    fitted = survey.of_source(source)
    axis = common_axis(fitted)
    measured = seat_levels_db(
        fitted, at=axis, without_db=lambda f: device.equaliser.response_db(present.gains_db, f)
    )
    levels = measured - target.curve_db(axis)
    corner, origin = _corner(path, stated_corner, source, assumptions)
    limit_stated = target.lower_limit is not None
    target = with_limit_estimate(
        survey,
        target=target,
        equaliser=device.equaliser,
        present_gains_db=present.gains_db,
        source=source,
    )
    if not limit_stated:
        assumptions.append(_limit_remark(target))
    findings = list(files.findings)
    if not files.added_up:
        findings += doubts.doubtful_seat_levels(fitted, axis, measured)
    if source != "mains":
        findings += doubts.uncovered_bands(fitted, device.equaliser)
    if source == "sub" and origin in ("path", "none") and not files.added_up:
        limit = target.lower_limit
        findings += doubts.doubtful_low_passes(fitted, axis, measured, path=path or (), limit=limit)
    if source == "sub" and origin in ("stated", "unknown"):
        target = _with_upper_limit(
            target, device.equaliser, axis, levels, fitted.weights, corner, findings
        )
    target = _with_level(target, survey, corner, level_from_mains, assumptions)
    return Room(
        survey=survey,
        source=source,
        device=device,
        present=present,
        target=target,
        path=path or (),
        corner=corner,
        corner_origin=origin,
        repeatability_db=files.repeatability_db,
        microphone=files.microphone,
        inputs=files.inputs,
        assumptions=tuple(dict.fromkeys(assumptions)),
        notes=files.notes,
        findings=tuple(dict.fromkeys(findings)),
        **stated,
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
    assumptions.append(
        "the subwoofer was not measured: what is shown is of the mains, and nothing can be proposed"
    )
    return "mains"


def _corner(
    path: tuple[CrossoverFilter, ...] | None,
    stated: float | None,
    source: Source,
    assumptions: list[str],
) -> tuple[float | None, CornerOrigin]:
    in_path = [entry.corner for entry in path or () if entry.kind == "low_pass"]
    if in_path:
        return min(in_path), "path"
    if stated is not None:
        assumptions.append(
            f"the crossover corner is stated ({stated:g} Hz), but not the low-pass itself: nothing "
            "is boosted above it, and a shortfall there is not made up"
        )
        return stated, "stated"
    if path is not None:
        return None, "none"
    if source == "both":
        assumptions.append(
            f"no crossover corner is stated: taken for {USUAL_CORNER:g} Hz (common practice)"
        )
        return USUAL_CORNER, "unknown"
    return None, "unknown"


def _with_upper_limit(
    target: Target,
    equaliser: FixedBandEqualiser,
    axis: FloatArray,
    levels: FloatArray,
    weights: FloatArray,
    corner: float | None,
    findings: list[str],
) -> Target:
    """Allow for a fall at the top that no stated low-pass explains, and say so."""
    if corner is not None:
        return replace(target, upper_limit=corner)
    lowest, highest = fit_span(equaliser)
    within = (axis >= lowest) & (axis <= highest)
    found = None
    if within.any():
        average = power_mean_db(levels[:, within], weights=weights)
        found = estimate_upper_limit(axis[within], average)
    if found is None:
        return target
    findings.append(
        f"the level falls from {found:.0f} Hz upwards, and no low-pass is stated: state it in "
        '[[path]], or say that there is none with path = "none"; until then nothing is boosted '
        "there and a shortfall there is not made up"
    )
    return replace(target, upper_limit=found)


def _limit_remark(target: Target) -> str:
    """Say where a lower limit that was not stated comes from."""
    found = target.lower_limit
    if found is None:
        return "the subwoofer's lower limit is not known"
    if not target.lower_limit_estimated:
        return f"the subwoofer's lower limit is {found:.0f} Hz by the response close to it"
    return (
        f"the subwoofer's lower limit is not stated; an estimate, {found:.0f} Hz, where the mean "
        "over seats has fallen by 6 dB, excuses a shortfall below it"
    )


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
