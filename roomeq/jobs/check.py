"""What a room's measurements hold: figures for looking before anything is proposed.

Conventions
-----------
Levels in dB, frequencies in Hz; bands are third octaves. Seats keep their order. Spreads are
standard deviations over seats, ddof 0. Nothing is computed here: figures come from
`roomeq.analysis`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from msgspec.structs import asdict

from roomeq.analysis.dips import Dip, judge_dips
from roomeq.analysis.seats import (
    comparable_level_db,
    estimate_band_statistics,
    estimate_odd_seat,
    estimate_seat_statistics,
    estimate_spatial_figures,
)
from roomeq.analysis.smoothing import band_levels_db
from roomeq.analysis.survey_levels import (
    common_axis,
    has_band_levels,
    seat_excess_group_delays,
    seat_levels_db,
)
from roomeq.base.bands import third_octave_band, whole_bands
from roomeq.base.levels import FloatArray, power_mean_db
from roomeq.base.record import Record, html_table
from roomeq.device.crossover_sum import Meeting
from roomeq.device.path import PathAnalysis
from roomeq.jobs.joining.path import described_path, engaged_rows
from roomeq.jobs.joining.steps import (
    advised_bypass,
    meeting_of,
    present_data,
    with_bypass,
)
from roomeq.optimiser.bands.fit_data import SHAPE_FRACTION
from roomeq.optimiser.joining.data import SumExplanation
from roomeq.optimiser.joining.summation import judge_sum
from roomeq.optimiser.path.estimate import PathEstimate
from roomeq.plan.recordings import DetailRow, RecordingRow, detail_rows, recording_rows
from roomeq.room.room import Room
from roomeq.wanted.span import fit_span

if TYPE_CHECKING:
    from pandas import DataFrame

_LOWEST, _HIGHEST = 20.0, 125.0


class MeasurementRow(Record, frozen=True, kw_only=True):
    """One measurement: where, what, from which file, and what it spans."""

    seat: str
    source: str
    route: str
    file: str | None
    points: int
    lowest: float
    highest: float
    has_phase: bool
    level_reference: str
    resolution: str
    snr_known: bool


class BandRow(Record, frozen=True, kw_only=True):
    """One third-octave band over the seats; see `roomeq.analysis.seats.SeatStatistics`."""

    label: str
    power_mean_db: float
    level_mean_db: float
    spread_db: float
    range_db: float
    loudest: str
    quietest: str


class TogetherRow(Record, frozen=True, kw_only=True):
    """One third octave of several subwoofers, power mean over the seats, in dB.

    Attributes
    ----------
    label : str
    alone_db : dict of str to float
        Each by itself.
    together_db : float
        All as they are set.
    in_phase_db : float
        The sum of their magnitudes: what they would give if all arrived in phase everywhere.
    """

    label: str
    alone_db: dict[str, float]
    together_db: float
    in_phase_db: float


class EquipmentRow(Record, frozen=True, kw_only=True):
    """Amplifier, load, driver and wanted level, as far as they are stated.

    Attributes
    ----------
    load : str or None
        In words.
    load_minimum_ohm : float or None
    minimum_assumed : bool
        Whether that is taken for 0.8 times nominal.
    rated_voltage, rated_power_w : float or None
        What the amplifier may give into the load.
    rating_derived : bool
        Whether that is not rated, but reckoned from the rating of another load.
    amplifier_minimum_ohm : float or None
    measuring_voltage, measuring_frequency : float or None
    box : {"closed", "vented"} or None
    largest_displacement : float or None
        Of one driver, one way, in m.
    output : str or None
        Table of maximum output, in words.
    high_pass : str or None
        Protective high-pass in words, "off", or None where it is not known.
    wanted_db : tuple of (str, float)
        Wanted level by label of the band; one with an empty label holds for the target's top.
    main_seat : str or None
    distance : float or None
        From subwoofer to main seat, in m.
    distortion_known : bool
    drive_limit : {"flat", "headroom"} or None
    """

    load: str | None
    load_minimum_ohm: float | None
    minimum_assumed: bool
    rated_voltage: float | None
    rated_power_w: float | None
    rating_derived: bool = False
    amplifier_minimum_ohm: float | None
    measuring_voltage: float | None
    measuring_frequency: float | None
    box: str | None
    largest_displacement: float | None
    output: str | None
    high_pass: str | None
    wanted_db: tuple[tuple[str, float], ...]
    main_seat: str | None
    distance: float | None
    distortion_known: bool
    drive_limit: str | None


class RoomOverview(Record, frozen=True, kw_only=True):
    """All that `check` shows.

    Attributes
    ----------
    room, device : str
    source : str
        Measurements that the figures are of.
    path : tuple of str
        Filters in force.
    corner : float or None
        Crossover corner in Hz.
    corner_origin : str
    lower_limit : float or None
    lower_limit_estimated : bool
        The subwoofer's own, in Hz.
    levels_comparable : bool
        If not, one offset per seat was removed before seats were compared.
    measurements : tuple of MeasurementRow
    bands : tuple of BandRow
    variation_between_seats_db2, unevenness_of_average_db2 : float
        Over 20 to 80 Hz; see `roomeq.analysis.seats.SpatialFigures`.
    odd_seat : str or None
    odd_seat_distance_db : float or None
    dips : tuple of Dip
    repeatability_db : float or None
    findings, assumptions, notes : tuple of str
    equipment : EquipmentRow or None
        None where nothing of it is stated.
    recordings : tuple of RecordingRow
        Recorded sweeps with their findings.
    detail : tuple of DetailRow or None
        Decay and distortion of each recording; None where they were not asked for.
    path_analysis : PathAnalysis or None
        What the described filters do; None where no low-pass is described.
    bypass : tuple of str
        Low-passes that are better switched off.
    engaged : dict or None
        Which low-passes are really engaged, see `roomeq.jobs.joining.path.engaged_rows`.
    sum_corner, sum_loss_db : float or None
        Hz, and what the sum of subwoofer and mains loses around it; None where that is not known.
    meeting : Meeting or None
        Where both meet by their filters.
    sum_explanation : SumExplanation or None
        What explains a measured sum that is not that of its parts; None where it is.
    together : tuple of TogetherRow
        Several subwoofers by bands; empty where there is one.
    places : tuple of str
        Where a subwoofer was tried, for `roomeq places`.
    """

    room: str
    device: str
    source: str
    path: tuple[str, ...]
    corner: float | None
    corner_origin: str
    lower_limit: float | None
    lower_limit_estimated: bool
    levels_comparable: bool
    measurements: tuple[MeasurementRow, ...]
    bands: tuple[BandRow, ...]
    variation_between_seats_db2: float
    unevenness_of_average_db2: float
    odd_seat: str | None
    odd_seat_distance_db: float | None
    dips: tuple[Dip, ...]
    repeatability_db: float | None
    findings: tuple[str, ...]
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]
    equipment: EquipmentRow | None = None
    recordings: tuple[RecordingRow, ...] = ()
    detail: tuple[DetailRow, ...] | None = None
    path_analysis: PathAnalysis | None = None
    bypass: tuple[str, ...] = ()
    engaged: dict[str, object] | None = None
    sum_corner: float | None = None
    sum_loss_db: float | None = None
    meeting: Meeting | None = None
    sum_explanation: SumExplanation | None = None
    together: tuple[TogetherRow, ...] = ()
    places: tuple[str, ...] = ()

    def to_frame(self) -> DataFrame:
        """Return one row for each band as a pandas table; columns are those of `BandRow`."""
        from pandas import DataFrame

        return DataFrame([asdict(row) for row in self.bands], columns=BandRow.__struct_fields__)

    def _repr_html_(self) -> str:
        """Return what the seats share and where they differ, for notebooks."""
        count = len(self.findings)
        found = f"{count} to be looked at first" if count else "nothing that looks wrong"
        frame = self.to_frame().round(1)
        return html_table(f"{self.room}, found: {found}", frame.columns, frame.to_numpy().tolist())

    def __repr__(self) -> str:
        return (
            f"<RoomOverview of {self.room}: {len(self.measurements)} measurements, "
            f"{len(self.findings)} findings>"
        )

    @property
    def path_doubtful(self) -> bool:
        """Whether filters are engaged otherwise than the room file describes."""
        return self.engaged is not None and bool(self.engaged["contradicts"])

    @property
    def sum_doubtful(self) -> bool:
        """Whether something about subwoofer and mains together wants a look."""
        missed = self.meeting is not None and bool(self.meeting.faults)
        return missed or self.sum_explanation is not None


def room_overview(
    room: Room, *, detail: bool = False, estimate: PathEstimate | None = None
) -> RoomOverview:
    """Collect what the measurements of a room hold.

    Parameters
    ----------
    room : Room
    detail : bool
        Whether decay and distortion of recorded sweeps are wanted, from a room read with them.
    estimate : PathEstimate, optional
        From `roomeq.jobs.joining.path.estimated_path`.

    Returns
    -------
    RoomOverview

    Raises
    ------
    ValueError
        If the measurements share too little to be compared.
    """
    survey = room.survey.of_source(room.source)
    axis = common_axis(survey, lowest=10.0, highest=300.0)
    levels = seat_levels_db(survey, at=axis)
    if not survey.levels_comparable:
        levels, _ = comparable_level_db(levels, frequencies=axis)
    spatial = estimate_spatial_figures(axis, levels, weights=survey.weights)
    lowest, highest = fit_span(room.equaliser, clear_of=room.clear_of)  # as a plan judges it
    used = axis[(axis >= lowest) & (axis <= highest)]
    used = used if used.size > 2 else axis
    shapes = seat_levels_db(survey, at=used, fraction=SHAPE_FRACTION)
    odd = estimate_odd_seat(used, shapes, seats=survey.seats)
    bypassed, data = advised_bypass(room), present_data(room)
    return RoomOverview.copied(
        room,
        room.target,
        survey,
        spatial,
        room=room.name,
        device=room.device.name,
        path=tuple(str(entry) for entry in room.path),
        measurements=tuple(
            MeasurementRow.copied(
                entry,
                entry.response,
                points=entry.response.frequencies.size,
                lowest=entry.response.frequencies[0],
                highest=entry.response.frequencies[-1],
                snr_known=entry.response.snr_db is not None,
            )
            for entry in room.survey.measurements
        ),
        bands=_band_rows(room, axis, levels),
        odd_seat=None if odd is None else odd.seat,
        odd_seat_distance_db=None if odd is None else odd.distance_db,
        dips=_dip_rows(room, axis, levels),
        equipment=_equipment_row(room),
        recordings=recording_rows(room),
        detail=detail_rows(room) if detail else None,
        path_analysis=described_path(room),
        bypass=tuple(str(one) for one in bypassed),
        engaged=engaged_rows(estimate),
        sum_corner=None if data is None else data.corner,
        sum_loss_db=None if data is None else judge_sum(data, data.present).loss_db,
        meeting=None if data is None else meeting_of(with_bypass(room, bypassed)),
        sum_explanation=None if data is None else data.explanation,
        together=_together_rows(room, axis),
        places=tuple(one.name for one in room.places),
    )


def _together_rows(room: Room, axis: FloatArray) -> tuple[TogetherRow, ...]:
    if not room.subwoofers:
        return ()
    whole = room.survey.of_source("sub")
    alone = {one.name: one.room.survey.of_seats(whole.seats) for one in room.subwoofers}
    bands = whole_bands(_LOWEST, _HIGHEST, first=axis[0], last=axis[-1])
    levels = {name: seat_levels_db(survey, at=axis) for name, survey in alone.items()}
    magnitudes = 20.0 * np.log10(sum(10.0 ** (rows / 20.0) for rows in levels.values()))

    def by_band(rows: FloatArray) -> FloatArray:
        return power_mean_db(band_levels_db(axis, rows, bands=bands), weights=whole.weights)

    every = (seat_levels_db(whole, at=axis), magnitudes, *levels.values())
    together, in_phase, *apart = map(by_band, every)
    return TogetherRow.of_columns(
        label=[band.label for band in bands],
        alone_db=[dict(zip(levels, row, strict=True)) for row in np.transpose(apart).tolist()],
        together_db=together,
        in_phase_db=in_phase,
    )


def _equipment_row(room: Room) -> EquipmentRow | None:
    known, wanted = room.equipment, room.wanted
    if not (known.stated or known.protection_known or wanted is not None):
        return None
    amplifier, load, rated, box = known.amplifier, known.load, known.rated_voltage, known.box
    derived = amplifier is not None and load is not None and not amplifier.is_rated(load)
    asked = {} if wanted is None else wanted.spl_db
    high_pass = "off" if known.protection is None else str(known.protection)
    return EquipmentRow.copied(
        known,
        load=None if load is None else str(load),
        load_minimum_ohm=None if load is None else load.minimum_ohm,
        minimum_assumed=load is not None and load.minimum_assumed,
        rated_power_w=None if load is None or rated is None else float(load.power_w(rated)),
        rating_derived=derived,
        amplifier_minimum_ohm=None if amplifier is None else amplifier.minimum_ohm,
        box=None if box is None else "closed" if box.unloads_below is None else "vented",
        largest_displacement=None if known.driver is None else known.driver.largest_displacement,
        output=None if known.output is None else str(known.output),
        high_pass=high_pass if known.protection_known else None,
        wanted_db=tuple(asked.items()) if isinstance(asked, Mapping) else (("", asked),),
        main_seat=None if wanted is None else wanted.main_seat,
        distance=None if wanted is None else wanted.distance,
        distortion_known=wanted is not None and wanted.distortion is not None,
        drive_limit=None if wanted is None else wanted.drive_limit,
    )


def _band_rows(room: Room, axis: FloatArray, levels: FloatArray) -> tuple[BandRow, ...]:
    survey = room.survey.of_source(room.source)
    if has_band_levels(survey):
        bands = tuple(third_octave_band(float(frequency)) for frequency in axis)
        statistics = estimate_seat_statistics(
            axis, levels, seats=survey.seats, weights=survey.weights
        )
    else:
        bands = whole_bands(_LOWEST, _HIGHEST, first=axis[0], last=axis[-1])
        statistics = estimate_band_statistics(
            axis, levels, seats=survey.seats, bands=bands, weights=survey.weights
        )
    columns = {name: getattr(statistics, name) for name in BandRow.__struct_fields__[1:]}
    return BandRow.of_columns(label=[band.label for band in bands], **columns)


def _dip_rows(room: Room, axis: FloatArray, levels: FloatArray) -> tuple[Dip, ...]:
    survey = room.survey.of_source(room.source)
    if has_band_levels(survey):
        return ()
    inside = (axis >= _LOWEST / 1.13) & (axis <= _HIGHEST * 1.13)
    return judge_dips(
        axis[inside],
        levels[:, inside],
        seats=survey.seats,
        excess_group_delay=seat_excess_group_delays(survey, at=axis[inside]),
        least_depth_db=6.0,
    )
