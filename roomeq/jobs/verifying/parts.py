"""What was measured again beside what a plan predicts: subwoofer, sum and mains.

Conventions
-----------
Levels in dB on the plan's axes, Hz. Only what was measured in the same way is compared.

Two surveys of one room, side by side in the form that causes are compared by.

Differences are the later survey less the earlier, in dB, on an axis that both cover. The earlier
stands in the place of a prediction.
"""

from __future__ import annotations

import numpy as np

from roomeq.analysis.smoothing import smooth_power
from roomeq.analysis.survey_levels import common_axis, has_band_levels, seat_levels_db
from roomeq.base.cautions import CautionCode
from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.base.survey import Source, Survey
from roomeq.jobs.verifying.observation import Part, TwoPowers, bin_means
from roomeq.optimiser.joining.data import SMOOTHING_FRACTION
from roomeq.plan.plan import Plan
from roomeq.room.room import Room


def observed_parts(plan: Plan, survey: Survey) -> tuple[Part, ...]:
    """Return what can be compared with a plan, what its bands were fitted to first.

    Raises
    ------
    ValueError
        If nothing can, or it was measured in another way.
    """
    parts = [_own_part(plan, survey), _joined_part(plan, survey, "both")]
    if not any(parts):
        raise ValueError(_nothing_to_compare(plan, survey))
    if plan.together is not None and parts[0] is not None:
        return (parts[0],)  # what single subwoofers do to the sum with the mains is not kept
    return tuple(part for part in (*parts, _joined_part(plan, survey, "mains")) if part)


def _own_part(plan: Plan, survey: Survey) -> Part | None:
    """Return what the plan's bands were fitted to, measured again."""
    if plan.source not in survey.sources:
        return None
    chosen = survey.of_source(plan.source)
    planned = [entry.seat for entry in plan.seats]
    again = [seat for seat in planned if seat in chosen.seats]
    if not again:
        return None
    axis = np.array(plan.curves.frequencies)
    used = np.array(plan.curves.frequency_weights) > 0
    _check_comparable(plan, chosen, axis)
    levels = _levels_db(chosen, again, axis)
    index = [planned.index(seat) for seat in again]
    predicted = np.array(plan.curves.predicted_level_db)[index]
    record, raised = plan.joining, None
    if record is not None and record.raised_db:
        raised = np.interp(axis[used], record.frequencies, record.raised_db)
    before = np.array(plan.curves.before_level_db)[index]
    return Part(
        seats=tuple(again),
        frequencies=axis[used],
        difference_db=(levels - predicted)[:, used],
        predicted_db=predicted[:, used],
        before_db=(before - predicted)[:, used],
        means=bin_means(axis[used], bands_only=has_band_levels(chosen)),
        raised_db=raised,
        of_each=_each_beside_the_others(plan, index, axis[used]),
    )


def _each_beside_the_others(plan: Plan, seats: list[int], axis: FloatArray) -> dict[str, TwoPowers]:
    """Return the predicted powers of each of several subwoofers and of the others, at seats."""
    if plan.together is None:
        return {}
    points = np.array(plan.together.points)
    arriving = {name: own.pressures for name, own in plan.each_together.items()}
    every, whole = np.eye(points.size), np.sum(list(arriving.values()), axis=0)
    smooth = smooth_power(points, every, at=axis, fraction=SMOOTHING_FRACTION)

    def product(one: ComplexArray, other: ComplexArray) -> ComplexArray:
        return np.asarray((one * other.conj())[seats] @ smooth)

    return {
        name: TwoPowers(
            own=product(own, own).real,
            rest=product(whole - own, whole - own).real,
            cross=product(own, whole - own),
        )
        for name, own in arriving.items()
    }


def _joined_part(plan: Plan, survey: Survey, source: Source) -> Part | None:
    """Return the sum with the mains, or the mains alone, within an octave of the crossover."""
    record = plan.joining
    if record is None:
        return None
    axis = np.array(record.frequencies)
    rows = [row.seat for row in record.seats]
    measured = measured_levels_db(survey, rows, axis, source=source)
    if not measured:
        return None
    near = np.abs(np.log2(axis / record.corner)) <= 1.0 + 1e-9
    index = [rows.index(seat) for seat in measured]

    def kept(levels: tuple[tuple[float, ...], ...]) -> FloatArray:
        return np.asarray(np.array(levels)[index][:, near])

    of_mains = source == "mains"
    planned = kept(record.mains_level_db if of_mains else record.after_level_db)
    powers = None
    if not of_mains:
        sub, mains = (
            10.0 ** (kept(level) / 10.0) for level in (record.sub_level_db, record.mains_level_db)
        )
        cross = 0.5 * (10.0 ** (planned / 10.0) - sub - mains) + 0j
        if record.quadrature:
            cross = cross + 1j * kept(record.quadrature) * np.sqrt(sub * mains)
        powers = TwoPowers(own=sub, rest=mains, cross=np.asarray(cross))
    return Part(
        seats=tuple(measured),
        frequencies=axis[near],
        difference_db=np.array(list(measured.values()))[:, near] - planned,
        predicted_db=planned,
        before_db=(planned if of_mains else kept(record.before_level_db)) - planned,
        means=bin_means(axis[near]),
        of_mains=of_mains,
        with_mains=powers,
    )


def _check_comparable(plan: Plan, chosen: Survey, axis: FloatArray) -> None:
    """Raise ValueError unless the survey holds what the plan's curves were made of."""
    in_bands = any(caution.code is CautionCode.BAND_LEVELS_ONLY for caution in plan.cautions)
    if has_band_levels(chosen) != in_bands:
        kinds = ("narrow-band responses", "third-octave band levels")
        raise ValueError(
            f"the plan was made from {kinds[in_bands]}, this measurement holds "
            f"{kinds[not in_bands]}: measure again in the same way"
        )
    for entry in chosen.measurements:
        own = entry.response.frequencies
        every = np.isin(axis.round(6), own.round(6)).all() if in_bands else _covers(own, axis)
        if not every:
            raise ValueError(
                f"seat {entry.seat!r}{f' ({entry.file})' if entry.file else ''}: measured from "
                f"{own[0]:.4g} to {own[-1]:.4g} Hz{', bands missing' if in_bands else ''}; the "
                f"plan needs {'every band from ' if in_bands else ''}{axis[0]:.4g} to "
                f"{axis[-1]:.4g} Hz"
            )


def _nothing_to_compare(plan: Plan, survey: Survey) -> str:
    """Say why a survey tells nothing of a plan."""
    if plan.source not in survey.sources:
        joined = ", or subwoofer and mains together" if plan.joining is not None else ""
        return (
            f"no measurement of {plan.source!r} in this survey, only {', '.join(survey.sources)}: "
            f"the plan's bands are checked by what they were fitted to, so measure that again"
            f"{joined}"
        )
    planned = ", ".join(entry.seat for entry in plan.seats)
    chosen = ", ".join(survey.of_source(plan.source).seats)
    return (
        f"none of the plan's seats was measured again: it has {planned}, the measurement {chosen}; "
        "name the files so, or say in a room.toml which file is which seat"
    )


def measured_levels_db(
    survey: Survey, seats: list[str], axis: FloatArray, *, source: Source = "both"
) -> dict[str, FloatArray]:
    """Return the level of a source at each seat of the plan, power mean over repeats."""
    if source not in survey.sources or has_band_levels(survey.of_source(source)):
        return {}
    kept = [
        one
        for one in survey.of_source(source).measurements
        if one.seat in seats and _covers(one.response.frequencies, axis)
    ]
    if not kept:
        return {}
    chosen = Survey(measurements=tuple(kept))
    levels = seat_levels_db(chosen, at=axis, fraction=SMOOTHING_FRACTION)
    return dict(zip(chosen.seats, levels, strict=True))


def _covers(own: FloatArray, axis: FloatArray) -> bool:
    return bool(own[0] <= axis[0] * (1 + 1e-9) and own[-1] >= axis[-1] * (1 - 1e-9))


def compared_parts(before: Room, after: Room) -> tuple[dict[Source, Part], dict[Source, Part]]:
    """Return what was measured in both surveys: what causes explain, and what they do not.

    What bands are fitted to comes first. A sum is compared by itself, unless bands are fitted to
    sums, well below the crossover: how it follows from its parts hangs on their phase.

    Raises
    ------
    ValueError
        If nothing was, or not in the same way.
    """
    explained: dict[Source, Part] = {}
    alone: dict[Source, Part] = {}
    others = (entry.source for entry in before.survey.measurements)
    for source in dict.fromkeys((before.source, *others)):
        part = _part(before, after, source)
        if part is not None:
            joins = source in ("both", "difference") and before.source != source
            (alone if joins else explained)[source] = part
    if not explained:
        raise ValueError(
            "nothing to compare: no seat was measured both times in the same way; before "
            f"{_said(before.survey)}, afterwards {_said(after.survey)}"
        )
    return explained, alone


def _said(survey: Survey) -> str:
    sources = dict.fromkeys(entry.source for entry in survey.measurements)
    return "; ".join(f"{s} at {', '.join(survey.of_source(s).seats)}" for s in sources)


def _levels_db(survey: Survey, seats: list[str], axis: FloatArray) -> FloatArray:
    return seat_levels_db(survey, at=axis)[[survey.seats.index(seat) for seat in seats]]


def _part(before: Room, after: Room, source: Source) -> Part | None:
    """Return a source at the seats where it was measured both times; None where there is none."""
    if source not in before.survey.sources or source not in after.survey.sources:
        return None
    one, other = before.survey.of_source(source), after.survey.of_source(source)
    seats = [seat for seat in one.seats if seat in other.seats]
    if not seats:
        return None
    measured = [m for survey in (one, other) for m in survey.measurements if m.seat in seats]
    lowest, highest = before.used_span(source)
    axis = common_axis(Survey(measurements=tuple(measured)), lowest=lowest, highest=highest)
    earlier = _levels_db(one, seats, axis)
    return Part(
        seats=tuple(seats),
        frequencies=axis,
        difference_db=_levels_db(other, seats, axis) - earlier,
        predicted_db=earlier,
        before_db=np.zeros_like(earlier),
        means=bin_means(axis, bands_only=has_band_levels(one)),
        of_mains=source == "mains",
    )
