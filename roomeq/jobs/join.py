"""From a room to a joining: what to bypass, delay, polarity, and what bands would still do.

Conventions
-----------
Delays in s, those of the subwoofer against the mains: positive is later. Nothing here computes
acoustics and nothing is written; figures come from `roomeq.optimiser`, by the steps of
`roomeq.jobs.joining.solution`, which `propose` takes as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from roomeq.analysis.survey_levels import covered_span
from roomeq.base.bands import logarithmic_axis
from roomeq.base.doing import each
from roomeq.base.levels import FloatArray, power_ratio, power_ratio_db
from roomeq.base.record import html_table, json_text
from roomeq.base.survey import Measurement, Source
from roomeq.device.path import PathAnalysis
from roomeq.jobs.joining.path import described_path, engaged_rows, estimated_path
from roomeq.jobs.joining.solution import (
    Joining,
    aligned_anew,
    data_behind,
    joining_record,
    solve_joining,
    tune_bands,
)
from roomeq.jobs.joining.steps import joining_data, joining_offer
from roomeq.jobs.proposed_plan import present_record
from roomeq.optimiser.joining.alignment import Alignment
from roomeq.optimiser.joining.corner_choice import (
    HALF_OCTAVE,
    CornerChoice,
    CrossoverPair,
    RankedPair,
    offered_pairs,
    predicted_pairs,
)
from roomeq.optimiser.joining.data import JoiningData
from roomeq.optimiser.joining.levels import FOUR, fit_joining_levels
from roomeq.optimiser.path.estimate import PathEstimate
from roomeq.plan.joining import JoiningRecord, LevelJoiningRecord
from roomeq.plan.records import PresentRecord
from roomeq.room.room import Room, weighed_room

if TYPE_CHECKING:
    from pandas import DataFrame

_POINTS_PER_OCTAVE = 96


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoomJoining:
    """What joining found in a room.

    Attributes
    ----------
    room : str
    path : PathAnalysis or None
        What the described filters do.
    estimate : PathEstimate or None
        Which filters are really engaged.
    fit : Alignment or None
        Delay and polarity before the bands; None where there is no common time reference.
    record : JoiningRecord or None
        What is set while the bands stay, in figures.
    with_bands : JoiningRecord or None
        What bands and level would still do, and the delay that goes with them; None where their
        phase is not known.
    levels : LevelJoiningRecord or None
        Two answers from levels alone, where there is no common time reference.
    corners : CornerChoice or None
        Pairs of low-pass and high-pass, ranked; None where none are on offer.
    corners_missing : str
        Why they are not ranked; empty where they are.
    present : PresentRecord or None
        What is stated of what was set while measuring.
    """

    room: str
    path: PathAnalysis | None
    estimate: PathEstimate | None
    fit: Alignment | None = None
    record: JoiningRecord | None = None
    with_bands: JoiningRecord | None = None
    levels: LevelJoiningRecord | None = None
    corners: CornerChoice | None = None
    corners_missing: str = ""
    present: PresentRecord | None = None

    def __repr__(self) -> str:
        record = self.settled
        if record is None:
            open_ = "from levels alone, late or early is open" if self.levels else "not joined"
            return f"<RoomJoining for {self.room}: {open_}>"
        said = f"the sum loses {record.loss_before_db:.1f} dB"
        said += f", then {record.loss_db:.1f} dB" if record.changes else ""
        return f"<RoomJoining for {self.room}: {'' if record.changes else 'no change, '}{said}>"

    def to_frame(self) -> DataFrame:
        """Return what is to be set as a pandas table: ``setting``, ``now``, ``set_to``."""
        from pandas import DataFrame

        return DataFrame(self._rows(), columns=["setting", "now", "set_to"])

    def _rows(self) -> list[tuple[str, str, str]]:
        return [] if self.settled is None else self.settled.setting_rows(self.present)

    def _repr_html_(self) -> str:
        """Return what is to be set, for notebooks."""
        return html_table(repr(self)[1:-1], ("Setting", "Now", "Set to"), self._rows())

    def to_json(self) -> bytes:
        """Return what was found as JSON text."""
        return json_text(
            {
                "room": self.room,
                "joining": self.record,
                "with_bands": self.with_bands,
                "from_levels": self.levels,
                "path": self.path,
                "engaged": engaged_rows(self.estimate),
                "pairs": list(map(_pair_row, self.corners.ranked)) if self.corners else [],
                "pairs_missing": self.corners_missing,
            }
        )

    @property
    def settled(self) -> JoiningRecord | None:
        """What can be kept as a plan: the joining, or the one answer that levels alone leave."""
        return self.levels.answer if self.record is None and self.levels else self.record

    @property
    def doubtful(self) -> bool:
        """Whether the answer wants a look before it is acted on."""
        if self.estimate is not None and self.estimate.contradicts:
            return True
        if self.record is None:  # levels alone leave a question until it is decided
            return self.settled is None or self.settled.alignment.at_end
        return bool(
            "sum_disagrees" in self.record.notes
            or self.record.explanation is not None
            or self.record.alignment.at_end
            or (self.record.meeting and self.record.meeting.faults)
            or (self.record.changes and self.record.alignment.either_polarity)
        )


def _pair_row(entry: RankedPair) -> dict[str, object]:
    pair = entry.pair
    return {
        "low_pass": None if pair.low_pass is None else str(pair.low_pass),
        "high_pass": None if pair.high_pass is None else str(pair.high_pass),
        "corner": pair.corner,
        "deviation_db": entry.deviation_db,
        "loss_db": entry.loss_db,
        "acoustic_order": entry.acoustic_order,
        "phase_at_corner_deg": entry.phase_at_corner_deg,
        "doubts": list(entry.doubts),
    }


def join(room: Room) -> RoomJoining:
    """Join subwoofer and mains of a room: what to bypass, delay, polarity, phase and level.

    Parameters
    ----------
    room : Room
        With `sub` and `mains` measured against one time reference; or with levels of `sub`,
        `mains`, `both`, and `difference` (both with one polarity reversed).

    Returns
    -------
    RoomJoining

    Raises
    ------
    ValueError
        If there is no crossover corner, or the measurements do not suffice.
    """
    if "mains" not in room.survey.sources:
        raise ValueError(
            "no mains were measured: join needs them at the seats of the subwoofer, source = "
            "'mains', both against one time reference ([timing] common_reference = true)"
        )
    room = weighed_room(room)
    if room.corner is None:
        raise ValueError(
            "joining needs the crossover's corner: describe the low-pass under [[path]], or give "
            "corner under [crossover]"
        )
    told = RoomJoining(
        room=room.name,
        path=described_path(room),
        estimate=estimated_path(room),
        present=present_record(room),
    )
    if not room.joining.common_time_reference:
        return replace(
            told,
            levels=_joined_by_levels(room, room.corner),
            corners_missing="without a common time reference no other pair can be predicted",
        )
    found = solve_joining(room)
    kept = solve_joining(room, keep_bands=True)
    told = replace(
        told,
        fit=kept.alignment,
        record=joining_record(kept),
        with_bands=None if found.bands is None else joining_record(found),
    )
    try:
        return replace(told, corners=_corners(found))
    except ValueError as error:
        return replace(told, corners_missing=str(error))


def _joined_by_levels(room: Room, corner: float) -> LevelJoiningRecord:
    """Join from levels of subwoofer, mains, both, and both with one polarity reversed."""
    survey, offer = room.survey, joining_offer(room)
    seats = tuple(s for s in survey.seats if {m.source for m in survey.at_seat(s)} >= set(FOUR))
    if not seats:
        raise ValueError(
            "joining needs subwoofer (source 'sub') and mains ('mains') measured at the same seat "
            "against one time reference ([timing] common_reference = true); or levels of these, of "
            "'both', and of both with one polarity reversed ('difference') at one seat"
        )
    used = survey.of_seats(seats).measurements
    if any(one.response.resolution != "narrow" for one in used):
        raise ValueError(
            "joining from levels needs narrow-band responses; band levels only tell which polarity "
            "sums better"
        )
    first, last = covered_span(used)
    if not first < last:
        raise ValueError("the four measurements of a seat share no frequencies")
    axis = logarithmic_axis(first, last, per_octave=_POINTS_PER_OCTAVE)
    weights = dict(zip(survey.seats, survey.weights, strict=True))
    joining = fit_joining_levels(
        axis,
        {
            source: np.array([_level_db(survey.at_seat(seat), source, axis) for seat in seats])
            for source in FOUR
        },
        corner=corner,
        seats=seats,
        seat_weights=np.array([weights[seat] for seat in seats]),
        target=room.target,
        present=offer.present,
        delays=offer.delays,
        phase_control=room.device.phase,
        can_invert=room.device.polarity,
    )
    stated = room.joining.delays is not None
    return LevelJoiningRecord.of(joining, delay_stated=stated, decided=room.joining.subwoofer_is)


def _level_db(there: Sequence[Measurement], source: Source, axis: FloatArray) -> FloatArray:
    """Return the level of one source at one seat on an axis, power mean over repeats, in dB."""
    rows = [
        np.interp(np.log(axis), np.log(m.response.frequencies), power_ratio(m.response.level_db))
        for m in there
        if m.source == source
    ]
    return power_ratio_db(np.mean(rows, axis=0))


def _corners(found: Joining) -> CornerChoice:
    """Rank the pairs that device and processor offer.

    Raises
    ------
    ValueError
        If they are not ranked, and why.
    """
    room, setup = found.room, found.room.joining
    left = [entry for entry in found.left.path if entry.kind == "low_pass"]
    if setup.high_pass is None and setup.low_pass is None:
        raise ValueError("what corners and slopes the processor offers is not stated ([processor])")
    if setup.mains_path is None:
        raise ValueError("the high-pass in the mains' path is not stated ([[mains_path]])")
    if len(left) > 1 or len(setup.mains_path) > 1:
        raise ValueError("more than one low-pass or high-pass stands in a branch")
    present = CrossoverPair(
        low_pass=next(iter(left), None), high_pass=next(iter(setup.mains_path), None)
    )
    used = [m for m in room.survey.measurements if m.source in ("sub", "mains")]
    lowest, highest = covered_span(used)
    offered = offered_pairs(
        setup.low_pass or room.device.low_pass,
        setup.high_pass,
        kept=(present.low_pass, present.high_pass),
        same_corner=setup.same_corner,
    )
    pairs = [p for p in offered if lowest * HALF_OCTAVE <= p.corner <= highest / HALF_OCTAVE]
    if not pairs:
        raise ValueError("no pair on offer lies within what was measured")
    if found.bands is None:
        raise ValueError("the phase of the bands is not known")
    highest = 2.0 * max(pair.corner for pair in pairs)
    data = joining_data(room, found.offer, corner=found.left.corner, highest=highest)
    predicted, refused = predicted_pairs(
        data_behind(room, data, bypassed=found.bypassed, high_pass=found.high_pass),
        pairs=pairs,
        present=present,
        mains=setup.mains,
    )
    judged = [
        _judged(found, pair, data)
        for pair, data in each(predicted, lambda one: f"joining at {one[0].corner:g} Hz")
    ]
    return CornerChoice(
        ranked=tuple(sorted(judged, key=lambda entry: entry.deviation_db)),
        refused=tuple(refused),
        present=judged[0],
    )


def _judged(found: Joining, pair: CrossoverPair, data: JoiningData) -> RankedPair:
    """Choose delay, polarity, level and bands with another pair, as with the present one."""
    assert found.bands is not None
    mains = found.room.joining.mains
    filters = (pair.high_pass, None if mains is None else mains.roll_off)
    aligned, bands = aligned_anew(
        found,
        data,
        replace(found.bands.task, corner=pair.corner),
        mains_filters=tuple(one for one in filters if one is not None),
    )
    tuned, setting = tune_bands(bands, found.gains_db, delays=found.offer.delays)
    return RankedPair(
        pair=pair,
        settings=tuned.joining,
        loss_db=aligned.loss_db,
        deviation_db=setting.deviation_db,
        mains=mains,
    )
