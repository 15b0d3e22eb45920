"""Plan: settings, prediction, reasons and cautions, kept as a JSON file.

Conventions
-----------
Settings are absolute. Levels and gains in dB, frequencies in Hz. Curves are on the fit axis; seats
by frequencies. Reasons and cautions are codes, the prose comes from `roomeq.report`. A file carries
a format version; unknown keys are refused. JSON keeps every digit of a float, so that a plan opens
with the same settings and the same prediction.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from functools import partial
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec

from roomeq.base.bands import third_octave_band
from roomeq.base.cautions import RESERVATIONS, Caution
from roomeq.base.errors import PlanFileError
from roomeq.base.files import (
    LARGEST_TABLES,
    InputFile,
    file_bytes,
    from_json,
    refuse_other_kinds,
    replacing,
)
from roomeq.base.levels import signed_setting
from roomeq.base.record import Record, html_table
from roomeq.base.survey import Source
from roomeq.optimiser.bands.fit import ChoiceRow, NoChange
from roomeq.optimiser.bands.reasons import BandSetting, band_frame
from roomeq.optimiser.drive.demand import BandExtra
from roomeq.optimiser.drive.protection import ProtectionChoice
from roomeq.plan.joining import JoiningRecord, JoiningSeatRow
from roomeq.plan.recordings import RecordingRow
from roomeq.plan.records import (
    AS_IT_IS,
    NOT_STATED,
    Curves,
    DeviceRecord,
    Evidence,
    HeadroomRecord,
    LevelSetting,
    PresentRecord,
    SeatResult,
    TargetRecord,
    is_stated,
    setting_row,
)
from roomeq.plan.together import SetTogether, TogetherRecord

if TYPE_CHECKING:
    from pandas import DataFrame

PLAN_FORMAT = 2
"""2: gains by the average over seats; 1: by every seat, with trust (the first statement)."""
_READ_FORMATS = (1, 2)


class Plan(Record, frozen=True, kw_only=True):
    """What to set, what it will do, why, and what it was made from.

    Attributes
    ----------
    format : int
        Format version of the file.
    roomeq_version : str
        Release that made the plan.
    room, record : str, dict
        Name of the room; date, person, instrument as far as the room file tells.
    source : {"sub", "mains", "both"}
        Measurements that were fitted.
    level_reference : {"spl", "relative"}
        Whether levels are dB SPL.
    inputs : tuple of InputFile
    device : DeviceRecord
    target : TargetRecord
    bands : tuple of BandSetting
    level : LevelSetting
    no_change : NoChange or None
        Why the present gains are kept; None where a change is proposed.
    seats : tuple of SeatResult
    evidence : Evidence
    curves : Curves
    cautions : tuple of Caution
    assumptions, notes : tuple of str
        What was assumed; what importers did.
    protection : ProtectionChoice or None
        Protective high-pass; None where no level was wanted.
    present : PresentRecord or None
        What else was set while measuring; None in plans of earlier releases.
    extra_drive : tuple of BandExtra
        What gains and level ask of each band.
    headroom : HeadroomRecord or None
        What the wanted level leaves; None where none was stated.
    recordings : tuple of RecordingRow
        Recorded sweeps with their findings and how much each counted.
    joining : JoiningRecord or None
        Delay, polarity, phase control, level, low-passes to bypass; None where not joined.
    choices : tuple of ChoiceRow
        Now, the best found and the proposal, in figures; empty in plans of format 1.
    findings : tuple of str
        What looked wrong in the measurements that it was made from.
    date : datetime.date or None
        When the plan was made; None in plans of earlier releases.
    by : str or None
        Who made it; None where nobody said.
    together : TogetherRecord or None
        Where several subwoofers were set together: what that gives. `bands` and `level` then are of
        all at once: no bands, and the common change of level that each one's level holds already.
    subwoofers : dict of str to Plan
        The plan of each alone, by its name, with what was chosen for all; empty where there is one.
    set_together : SetTogether or None
        Of one of several: its delay and polarity, and what it contributes.
    """

    format: int
    roomeq_version: str
    room: str
    record: dict[str, str]
    source: Source
    level_reference: Literal["spl", "relative"]
    inputs: tuple[InputFile, ...]
    device: DeviceRecord
    target: TargetRecord
    bands: tuple[BandSetting, ...]
    level: LevelSetting
    no_change: NoChange | None
    seats: tuple[SeatResult, ...]
    evidence: Evidence
    curves: Curves
    cautions: tuple[Caution, ...]
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]
    protection: ProtectionChoice | None = None
    present: PresentRecord | None = None
    extra_drive: tuple[BandExtra, ...] = ()
    headroom: HeadroomRecord | None = None
    recordings: tuple[RecordingRow, ...] = ()
    joining: JoiningRecord | None = None
    choices: tuple[ChoiceRow, ...] = ()
    findings: tuple[str, ...] = ()
    date: datetime.date | None = None
    by: str | None = None
    together: TogetherRecord | None = None
    subwoofers: dict[str, Plan] = msgspec.field(default_factory=dict)
    set_together: SetTogether | None = None

    @property
    def statement(self) -> int:
        """By which statement of the band-gain problem the plan was made: 1 or 2, as its format."""
        return self.format

    @property
    def gains_db(self) -> tuple[float, ...]:
        """Proposed gain of every band, in dB."""
        return tuple(band.gain_db for band in self.bands)

    @property
    def moved(self) -> int:
        """How many bands are to be set differently from now, of all of several subwoofers."""
        own = sum(band.gain_db != band.present_db for band in self.bands)
        return own + sum(one.moved for one in self.subwoofers.values())

    @property
    def changes(self) -> bool:
        """Whether any band is to be set differently from now, of any of several subwoofers."""
        return self.moved > 0

    @property
    def joins(self) -> bool:
        """Whether delay, polarity, phase control or a bypass is to be set differently from now."""
        parts = (self.joining, self.set_together)
        own = any(part is not None and part.changes for part in parts)
        return own or any(one.joins for one in self.subwoofers.values())

    @property
    def moves_high_pass(self) -> bool:
        """Whether the protective high-pass, of any subwoofer, is to be set differently from now."""
        own = self.protection is not None and self.protection.changes
        return own or any(one.moves_high_pass for one in self.subwoofers.values())

    @property
    def idle(self) -> bool:
        """Whether nothing at all is to be set differently from now."""
        own = self.changes or self.joins or self.level.changes or self.moves_high_pass
        return not own and all(one.idle for one in self.subwoofers.values())

    @property
    def deviation_before_db(self) -> float:
        """Weighted deviation at the present gains, in dB."""
        return self.evidence.deviation_before_db

    @property
    def deviation_after_db(self) -> float:
        """Weighted deviation with the proposal, in dB."""
        return self.evidence.deviation_db

    @property
    def judged_db(self) -> tuple[float, float]:
        """Deviation that the plan is judged by, now and predicted, in dB.

        That of each seat where several subwoofers are set together, of the sum where mains are
        joined, else the weighted deviation of the subwoofer.
        """
        if self.together is not None:
            return self.together.before.deviation_db, self.together.after.deviation_db
        if self.joining is not None:
            return self.joining.judged
        return self.deviation_before_db, self.deviation_after_db

    @property
    def each_together(self) -> dict[str, SetTogether]:
        """Delay and polarity of each of several subwoofers, by its name."""
        each = {name: one.set_together for name, one in self.subwoofers.items()}
        return {name: own for name, own in each.items() if own is not None}

    @property
    def reservations(self) -> tuple[Caution, ...]:
        """Cautions that should be read before acting; the others are plain information."""
        return tuple(caution for caution in self.cautions if caution.code in RESERVATIONS)

    @property
    def lower_bound_db(self) -> float:
        """Deviation that no setting within the limits falls below, in dB."""
        return self.evidence.lower_bound_db

    @property
    def drive_boost_db(self) -> float:
        """Most that the drive rises anywhere at the same loudness, in dB."""
        return self.evidence.drive_boost_db

    @property
    def judged_seats(self) -> Sequence[SeatResult | JoiningSeatRow]:
        """The seats by what is judged: the sum with the mains where it is joined."""
        return self.joining.seat_rows if self.joining else self.seats

    @property
    def only_joined(self) -> bool:
        """Whether bands and level were left as they are on request."""
        joining = self.joining
        return joining is not None and (joining.bands is None or not joining.bands.chosen)

    def error_db(self, band: BandSetting) -> float | None:
        """Error of a band with all bands at 0, at the level that is proposed, in dB.

        What remains differs from it by what the bands do there.
        """
        if band.error_db is None:
            return None
        weighed = zip(self.curves.frequency_weights, self.curves.response_db, strict=True)
        return band.error_db - sum(weight * gain_db for weight, gain_db in weighed)

    def __repr__(self) -> str:
        figures = "{:.1f} to {:.1f} dB".format(*self.judged_db)
        if self.together is not None:
            return f"<Plan for {self.room}: {len(self.subwoofers)} subwoofers, deviation {figures}>"
        if self.idle:
            return f"<Plan for {self.room}: no change>"
        whose = "" if self.joining is None else "of the sum with the mains "
        changed = f"{self.moved} of {len(self.bands)} bands change"
        return f"<Plan for {self.room}: {changed}, deviation {whose}{figures}>"

    def to_frame(self) -> DataFrame:
        """Return the settings as a pandas table: bands, then level, and what joins the mains.

        Returns
        -------
        DataFrame
            As `roomeq.optimiser.bands.reasons.band_frame`, the error at the proposed level; and for
            every setting, by its name in ``band``, ``now`` and ``set_to`` in words. Of several
            subwoofers the settings of each, with its name in ``subwoofer``, and under ``all`` what
            is set for all at once.
        """
        from pandas import concat

        if self.subwoofers:
            frames = {name: one.to_frame() for name, one in self.subwoofers.items()}
            if self.setting_rows():
                frames["all"] = self._frame(())
            named = [frame.assign(subwoofer=name) for name, frame in frames.items()]
            return concat(named, ignore_index=True)
        return self._frame(self.bands)

    def _frame(self, bands: tuple[BandSetting, ...]) -> DataFrame:
        """Return bands, then what else is set."""
        from pandas import Series

        rows = self.setting_rows()
        frame = band_frame(bands).reindex(range(len(rows)))
        frame["error_db"] = Series([self.error_db(band) for band in bands], dtype=float)
        if not is_stated(self.present, "gains_stated"):
            frame["present_db"] = float("nan")
        frame["band"] = [*(band.label for band in bands), *(row[0] for row in rows[len(bands) :])]
        frame[["now", "set_to"]] = [row[1:] for row in rows]
        return frame

    def setting_rows(self) -> list[tuple[str, str, str]]:
        """Return every setting by name: what it is now, and what it is to be.

        Of several subwoofers what is set for all at once; the rest is in the plan of each.
        """
        rows = [] if self.subwoofers else self._own_rows()
        if self.level.upstream_shown_db:
            change = f"{signed_setting(self.level.upstream_shown_db)} from now"
            rows.append(("Level upstream", NOT_STATED, change))
        for part in (self.joining, self.set_together):
            rows += [] if part is None else part.setting_rows(self.present)
        # of several subwoofers that of each holds the polarity
        return [row for row in rows if not (self.subwoofers and row[0] == "Polarity")]

    def _own_rows(self) -> list[tuple[str, str, str]]:
        """Return bands, level and protective high-pass."""
        stated = is_stated(self.present, "gains_stated")
        rows = [
            (
                f"{band.label} Hz",
                signed_setting(band.present_db) if stated else NOT_STATED,
                signed_setting(band.gain_db),
            )
            for band in self.bands
        ]
        level, protection = self.level, self.protection
        known = level.setting_db is not None
        setting = level.change_db if level.setting_db is None else level.setting_db
        now, then = signed_setting(setting - level.change_db), signed_setting(setting)
        rows.append(setting_row("Level knob", now, then, f"{then} from now", stated=known))
        if protection is not None:
            now, then = (
                "off" if one is None else str(one.filter())
                for one in (protection.present, protection.high_pass)
            )
            rows.append(setting_row("Protective high-pass", now, then, stated=protection.known))
        return rows

    def moved_rows(self) -> list[tuple[str, str, str]]:
        """Return the settings that are to be changed, as `setting_rows` has them."""
        still = [f"{band.label} Hz" for band in self.bands if band.gain_db == band.present_db]
        rows = self.setting_rows()
        return [row for row in rows if row[0] not in still and row[2] not in (row[1], AS_IT_IS)]

    def setting_cells(self) -> list[tuple[str, ...]]:
        """Return settings by name, a column for each subwoofer; in brackets what is set now."""
        columns = [
            {label: _shown(now, then) for label, now, then in one.setting_rows()}
            for one in self.subwoofers.values()
        ]
        labels = dict.fromkeys(label for column in columns for label in column)
        return [(label, *(column.get(label, "") for column in columns)) for label in labels]

    def _repr_html_(self) -> str:
        """Return the settings, for notebooks."""
        count = len(self.reservations)
        read = f"; {count} caution{'s' if count != 1 else ''} to read first" if count else ""
        plans = list(self.subwoofers.values()) or [self]
        if not all(is_stated(one.present, "gains_stated") for one in plans):
            read += "; what the bands were is not stated: taken for 0 dB"
        caption = f"{repr(self)[1:-1]}{read}"
        common = self.setting_rows()
        if not self.subwoofers:
            moved = self.moved_rows()
            rows = [(*row, "set" if row in moved else "") for row in common]
            return html_table(caption, ("Setting, gains in dB", "Now", "Set to", ""), rows)
        cells = self.setting_cells()
        cells += [(f"All: {name}", *[_shown(*row)] * len(plans)) for name, *row in common]
        titles = ("Setting, gains in dB; in brackets now", *self.subwoofers)
        return html_table(caption, titles, cells)


def _shown(now: str, then: str) -> str:
    return then if now in (NOT_STATED, then) else f"{then} ({now})"


def write_plan(plan: Plan, path: str | PathLike[str], *, other_room: bool = False) -> None:
    """Write a plan; the file is complete or not there at all.

    Parameters
    ----------
    plan : Plan
    path : path-like
    other_room : bool
        Whether the plan of another room may be replaced.

    Raises
    ------
    PlanFileError
        As `refuse_plan_file`.
    OSError
        If the folder does not exist or cannot be written to.
    """
    refuse_plan_file(path, room=plan.room, other_room=other_room)
    location = Path(path)
    with replacing(location) as temporary:
        temporary.write_bytes(plan.to_json())


def refuse_plan_file(path: str | PathLike[str], *, room: str, other_room: bool = False) -> None:
    """Raise if the plan of a room cannot be kept in a file, before it is made.

    Raises
    ------
    PlanFileError
        If the file exists and is no plan, for a measurement must not be lost to a mistyped name; is
        the plan of another room, unless `other_room`; or is no file of its own.
    OSError
        If the folder does not exist or cannot be written to.
    """
    location = Path(path)
    refuse_other_kinds(location, kind="plan", is_of_kind=is_a_plan, error=PlanFileError)
    kept = from_json(location.read_bytes(), _Mark).room if location.exists() else room
    if kept != room and not other_room:
        raise PlanFileError(
            f"is the plan of {kept!r}, not of {room!r}: it is left as it is",
            path=location,
            remedy="give another name, or --force to replace it",
        )


class _Format(msgspec.Struct):
    format: int
    joining: object = None


class _Mark(_Format, kw_only=True):
    room: str
    bands: list[msgspec.Raw]


def is_a_plan(location: Path) -> bool:
    """Return whether a file looks like a plan, whatever its format."""
    try:
        from_json(location.read_bytes(), _Mark)
    except msgspec.MsgspecError:
        return False
    return True


def read_plan(path: str | PathLike[str]) -> Plan:
    """Read a plan file.

    Raises
    ------
    PlanFileError
        If there is no such file, it is not a plan, its format version is not known, or its parts
        do not fit each other.
    """
    location, given = Path(path), "give a file written by propose --plan"
    fault, again = partial(PlanFileError, path=location), "make the plan again from its room"
    try:
        text = file_bytes(location, largest=LARGEST_TABLES, error=PlanFileError, remedy=given)
    except FileNotFoundError:
        raise fault("there is no such file") from None
    except OSError as error:
        raise fault(f"cannot be read: {error.strerror}") from error
    try:
        kept = from_json(text, _Format)
    except msgspec.MsgspecError as error:
        raise fault(f"is not a plan: {error}", remedy=given) from None
    if kept.format not in _READ_FORMATS:
        known = f"this release reads formats {' and '.join(map(str, _READ_FORMATS))}"
        raise fault(f"format {kept.format} is not known", remedy=known)
    if kept.format == 1 and kept.joining is not None:
        said = "its joining was chosen by rules of an earlier release, which kept sums that cancel"
        raise fault(said, remedy=again)
    try:
        plan = from_json(text, Plan)
        _check_sizes(plan)
    except (msgspec.MsgspecError, ValueError) as error:
        raise fault(f"is damaged: {error}", remedy=again) from None
    return plan


def _check_sizes(plan: Plan) -> None:
    """Raise ValueError unless curves, seats and bands belong together."""
    curves, seats, points = plan.curves, len(plan.seats), len(plan.curves.frequencies)
    if not (plan.seats and plan.bands and points):
        raise ValueError("it needs at least one seat, one band and one frequency")
    if [band.label for band in plan.bands] != list(plan.device.labels):
        raise ValueError("its bands are not those of its device")
    names = ("target_level_db", "response_db", "present_response_db", "frequency_weights")
    counts = dict.fromkeys(names, points)
    counts |= dict.fromkeys(("average_error_db", "shortfall_error_db"), points * (plan.format > 1))
    for name, count in counts.items():
        if len(getattr(curves, name)) != count:
            raise ValueError(f"curves.{name} needs {points} values, one for each frequency")
    for name in ("before_level_db", "predicted_level_db"):
        rows = getattr(curves, name)
        if [len(row) for row in rows] != [points] * seats:
            raise ValueError(f"curves.{name} needs {seats} rows of {points} values")
    labels = [row.label for row in plan.extra_drive]
    if plan.headroom is not None:
        plan.headroom.equipment()
        labels += [row.label for row in plan.headroom.bands]
    if plan.protection is not None:
        labels += filter(None, (plan.protection.band, plan.protection.unrelieved))
    for label in labels:
        third_octave_band(float(label))
    for recording in plan.recordings:
        recording.check()
