"""A room put together: what was not stated is estimated, and said.

Conventions
-----------
Frequencies in Hz, levels in dB.

What looks wrong in the measurements of one source, taken together.

Levels in dB, shape (S, F), at frequencies of equal steps in ln f, the device's bands taken out.
Thresholds were chosen on random rooms of `tests/benchmarks` (``rooms_apart.py`` and
``invented_rooms.py``, seeds below 400); the error rates beside them are of others.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from roomeq.analysis.smoothing import band_levels_db
from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.bands import third_octave_bands
from roomeq.base.levels import FloatArray, amplitude_ratio_db, level_mean_db, power_mean_db
from roomeq.base.survey import Source, Survey
from roomeq.device.crossover import CrossoverFilter, FilterFamily, chain_response
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.device.profile import Device
from roomeq.importers.response_doubts import Doubts
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.schema import CrossoverTable
from roomeq.importers.stated import (
    present_settings,
    stated_filters,
    stated_limits,
    stated_target,
)
from roomeq.importers.survey_files import SurveyFiles
from roomeq.room.room import CornerOrigin, Room
from roomeq.wanted.loss import Loss
from roomeq.wanted.span import fit_span
from roomeq.wanted.target import Target, estimate_upper_limit, with_limit_estimate

USUAL_CORNER = 80.0


def assemble_room(
    room_file: RoomFile,
    files: SurveyFiles,
    *,
    device: Device,
    path: tuple[CrossoverFilter, ...] | None = None,
    assumptions: list[str],
) -> Room:
    """Put a room together; what was not stated is estimated and listed among the assumptions.

    Parameters
    ----------
    room_file : RoomFile
    files : SurveyFiles
    device : Device
    path : tuple of CrossoverFilter, optional
        In place of what the file says of the subwoofer's path; empty for none.
    assumptions : list of str
        Those made so far.

    Raises
    ------
    ValueError
        If a wanted level does not fit the measurements.
    """
    if path is None and room_file.states("path"):
        path = stated_filters(room_file.path)
    survey, present = files.survey, present_settings(room_file, device)
    source = _fitted_source(survey, assumptions)
    fitted = survey.of_source(source)
    axis = common_axis(fitted)
    measured = seat_levels_db(
        fitted, at=axis, without_db=lambda f: device.equaliser.response_db(present.gains_db, f)
    )
    corner, origin = _corner(path, room_file.crossover, source, assumptions)
    target = stated_target(room_file, path or ())
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
        findings += doubtful_seat_levels(fitted, axis, measured)
    if source != "mains":
        findings += uncovered_bands(fitted, device.equaliser)
    if source == "sub" and origin in ("path", "none") and not files.added_up:
        limit = target.lower_limit
        doubts = doubtful_low_passes(fitted, axis, measured, path=path or (), limit=limit)
        findings += doubts.found
        assumptions += doubts.taken
    if source == "sub" and corner is not None and origin == "stated":
        target = replace(target, upper_limit=corner)
    elif source == "sub" and origin == "unknown":
        lowest, highest = fit_span(device.equaliser)
        within = (axis >= lowest) & (axis <= highest)
        levels = measured[:, within] - target.curve_db(axis[within])
        average = power_mean_db(levels, weights=fitted.weights) if within.any() else None
        found = None if average is None else estimate_upper_limit(axis[within], average)
        if found is not None:
            findings.append(
                f"the level falls from {found:.0f} Hz upwards, and no low-pass is stated: state it "
                'in [[path]], or say that there is none with path = "none"; until then nothing is '
                "boosted there and a shortfall there is not made up"
            )
            target = replace(target, upper_limit=found)
    target = _with_level(
        target, survey, corner, room_file.target.level_from == "mains", assumptions
    )
    return Room(
        name=room_file.name,
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
        limits=stated_limits(room_file, device),
        loss=Loss(**room_file.fit.stated()),
        record={key: str(value) for key, value in room_file.record.stated().items()},
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
    stated: CrossoverTable | None,
    source: Source,
    assumptions: list[str],
) -> tuple[float | None, CornerOrigin]:
    in_path = [entry.corner for entry in path or () if entry.kind == "low_pass"]
    if in_path:
        return min(in_path), "path"
    if stated is not None:
        assumptions.append(
            f"the crossover corner is stated ({stated.corner:g} Hz), but not the low-pass itself: "
            "nothing is boosted above it, and a shortfall there is not made up"
        )
        return stated.corner, "stated"
    if path is not None:
        return None, "none"
    if source == "both":
        assumptions.append(
            f"no crossover corner is stated: taken for {USUAL_CORNER:g} Hz (common practice)"
        )
        return USUAL_CORNER, "unknown"
    return None, "unknown"


def _limit_remark(target: Target) -> str:
    """Say where a lower limit that was not stated comes from."""
    found = target.lower_limit
    if found is None:
        return LIMIT_UNKNOWN
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


LIMIT_UNKNOWN = "the subwoofer's lower limit is not known"
_LOWEST, _HIGHEST = 16.0, 200.0
_APART_DB = 15.0  # by octaves and seats: 9.6 dB for three seats from 16 to 200 Hz
_MAINS_DB = 9.0
_USUAL_LIMIT = 30.0  # Hz, where the subwoofer's own is not known
_SEEN_DB = 30.0
_WORSE_DB2 = 36.0
_RATHER_DB2 = 12.0
_KINDS: tuple[tuple[FilterFamily, int], ...] = (("linkwitz_riley", 4), ("butterworth", 2))
_USUAL = tuple(
    (CrossoverFilter(kind="low_pass", family=family, order=order, corner=corner),)
    for family, order in _KINDS
    for corner in (40, 45, 50, 56, 63, 71, 80, 90, 100, 112, 125, 141, 160)
)
_SHORTER = 0.8  # of where the others end (common practice, no source)


def uncovered_bands(survey: Survey, equaliser: FixedBandEqualiser) -> Iterator[str]:
    """Yield which bands lie outside the data, and which files end far below the others."""
    spans: dict[tuple[float, float], list[str]] = {}
    for entry in survey.measurements:
        axis = entry.response.frequencies
        spans.setdefault((float(axis[0]), float(axis[-1])), []).append(entry.file or entry.seat)
    ends = [float(entry.response.frequencies[-1]) for entry in survey.measurements]
    usual = float(np.median(ends))
    for (first, last), files in spans.items():
        named = ", ".join(dict.fromkeys(files)) if len(files) < len(ends) else "every file"
        outside = [
            band.label
            for band in equaliser.bands
            if not first <= band.centre * 1.01 or not band.centre * 0.99 <= last
        ]
        if outside:
            yield (
                f"{named}: measured from {first:.4g} to {last:.4g} Hz, so that the bands "
                f"{', '.join(outside)} Hz lie outside the data: cut off? Measure over all bands; "
                "until then those are not judged"
            )
        elif last < min(_SHORTER * usual, 300.0):
            yield f"{named}: ends at {last:.4g} Hz, others at {usual:.4g} Hz: was it cut off?"


def doubtful_seat_levels(survey: Survey, axis: FloatArray, levels: FloatArray) -> Iterator[str]:
    """Yield which seats' levels stand apart, although they are said to be comparable.

    The median over 16 to 200 Hz against that of the others. Of 165 clean rooms none was named; a
    seat that was 8, 10 and 14 dB off in 28, 84 and 99.9 of 100. In strongly modal rooms sound seats
    were seen to lie 7 to 9 dB apart.
    """
    within = (axis >= _LOWEST) & (axis <= _HIGHEST)
    count = len(survey.seats)
    if not survey.levels_comparable or count < 2 or within.sum() < 3:
        return
    octaves = np.log2(axis[within][-1] / axis[within][0])
    least = _APART_DB * np.sqrt((1.0 + 1.0 / (count - 1)) / octaves)
    for index, seat in enumerate(survey.seats[: 1 if count == 2 else count]):
        others = np.median(np.delete(levels, index, axis=0), axis=0)
        apart = float(np.median((levels[index] - others)[within]))
        if abs(apart) >= least:
            how = "louder" if apart > 0 else "quieter"
            yield (
                f"{_named(survey, seat)} is {abs(apart):.0f} dB {how} than the others, although "
                "levels are said to be comparable: was the gain the same? Measure it again, or say "
                "comparable = false in [levels]"
            )


def doubtful_low_passes(
    survey: Survey,
    axis: FloatArray,
    levels: FloatArray,
    *,
    path: tuple[CrossoverFilter, ...],
    limit: float | None,
) -> Doubts:
    """Return what contradicts the stated low-passes, or that there are none.

    The average over seats is compared, with each of 26 usual low-passes, none and the stated ones
    taken out, by the variance that is left. What is found, and in brackets what is at least said to
    look otherwise, in 100 rooms of ``bench_low_passes.py`` (seeds 3000 to 3399): stated rightly 0.5
    [10]; a low-pass that is not there 72 [90], one that is said not to be there 90 [98]; a corner
    stated 1.25, 1.5, 2 times too high 28, 47, 70 [61, 75, 88], too low 12, 25, 42 [52, 63, 73]. A
    file of the mains was named in 98 of 100. `roomeq.optimiser.path` looks closer.

    Parameters
    ----------
    survey : Survey
    axis : ndarray, shape (F,)
    levels : ndarray, shape (S, F)
    path : tuple of CrossoverFilter
        Filters stated to be in the subwoofer's path.
    limit : float or None
        The subwoofer's own, in Hz.
    """
    stated = tuple(entry for entry in path if entry.kind == "low_pass")
    lowest = max(limit or _USUAL_LIMIT, 20.0)
    mains = _of_mains(axis, levels, stated, lowest)
    found = [
        f"{_named(survey, seat)} is {-fall:.0f} dB louder above the stated low-pass than below "
        "it: is it a file of the mains? Correct its source, or [[path]]"
        for seat, fall in zip(survey.seats, mains, strict=True)
        if fall < -_MAINS_DB
    ]
    within = (axis >= lowest) & (axis <= 300.0)
    if 2 * len(found) > len(levels) or within.sum() < 5 or axis[within][-1] < 2 * axis[within][0]:
        return Doubts(found, [])
    average = power_mean_db(levels[mains >= -_MAINS_DB][:, within])
    misfits = {one: _misfit_db2(average, axis[within], one) for one in (stated, (), *_USUAL)}
    best = min(misfits, key=lambda one: misfits[one])
    words = " and ".join(map(str, stated)) or "no low-pass"
    like = f"like that of a {best[0]}" if best else "like that of no low-pass"
    worse = misfits[stated] - misfits[best]
    if worse > _WORSE_DB2:
        found.append(
            f"the level over frequency is {like}, not as stated ({words}): "
            "correct [[path]], or the files: are they of the mains, or with other filters on?"
        )
        return Doubts(found, [])
    taken = (
        f"{words}, as stated in [[path]]: the level over frequency is rather {like}, as it is in "
        "one of ten rooms stated rightly; look at the device once more"
    )
    return Doubts(found, [taken] if worse > _RATHER_DB2 else [])


def _of_mains(
    axis: FloatArray, levels: FloatArray, stated: tuple[CrossoverFilter, ...], lowest: float
) -> FloatArray:
    """Return by how much each seat falls above the lowest corner, in dB; 0 where none is known."""
    corner = min((entry.corner for entry in stated), default=0.0)
    above = (axis >= corner) & (axis <= min(2.5 * corner, _HIGHEST + 100.0))
    below = (axis >= max(corner / 2.5, lowest)) & (axis <= 0.8 * corner)
    if min(above.sum(), below.sum()) < 3 or lowest > 0.6 * corner:
        return np.zeros(len(levels))
    return np.asarray(levels[:, below].mean(axis=1) - levels[:, above].mean(axis=1))


def _misfit_db2(
    average_db: FloatArray, axis: FloatArray, filters: tuple[CrossoverFilter, ...]
) -> float:
    """Return the variance over ln f that is left with the filters taken out, 30 dB deep."""
    top = np.median(np.sort(average_db)[-average_db.size // 3 :])
    fall = np.minimum(-amplitude_ratio_db(chain_response(filters, axis)), _SEEN_DB)
    return float(np.var(np.maximum(average_db, top - _SEEN_DB) + fall))


def _named(survey: Survey, seat: str) -> str:
    files = dict.fromkeys(entry.file for entry in survey.at_seat(seat) if entry.file)
    return f"{seat!r} ({', '.join(files)})" if files else repr(seat)
