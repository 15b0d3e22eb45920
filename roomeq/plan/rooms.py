"""Many rooms: one row of figures for each, the journal that holds them, and the table of all.

Conventions
-----------
The journal has one row of JSON a line, in the order in which rooms were finished; the last row of a
folder counts. A line is on the disk before the next is begun, so that a run killed at any moment
leaves all rows it had and at most one torn line, which is cut off when the journal is opened again.
Levels and gains in dB.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from hashlib import sha256
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Self

import msgspec

from roomeq.base.errors import PlanFileError
from roomeq.base.files import refuse_other_kinds, replacing
from roomeq.base.record import Record
from roomeq.plan.plan import Plan

if TYPE_CHECKING:
    from pandas import DataFrame

JOURNAL, PLANS, TABLE = "rooms.jsonl", "plans", "rooms"


class RoomRow(Record, frozen=True, kw_only=True):
    """What became of one room.

    Attributes
    ----------
    folder : str
        Where the room lies, in full.
    status : {"done", "failed"}
    message : str
        Why it failed; what looks wrong in its measurements.
    roomeq_version : str
    best : bool
        Whether the best setting itself was asked for.
    plan : str
        Name of the plan's file; empty where there is none.
    room, source : str
    seats, moved, cautions : int
        Seats; bands that change; cautions to read first.
    doubtful : bool
        Whether measurements or proposal want a look.
    judged : {"subwoofer", "sum", "together"}
        Whose deviations these are: the subwoofer's, those of the sum with mains where they were
        joined, or of several subwoofers together. The last two have no bound, and of several
        subwoofers the gains stand in the plan alone.
    no_change : str
        Why nothing is to be changed; empty where something is.
    deviation_before_db, deviation_after_db : float or None
        Weighted deviation, now and with the proposal; None where the room failed.
    average_sd_before_db, average_sd_after_db, seat_sd_before_db, seat_sd_after_db : float or None
        Of the subwoofer: standard deviation of the average over the seats, and of single seats.
    lower_bound_db, filter_boost_db, drive_boost_db, drive_ratio, level_change_db : float or None
        As in the plan; the ratio is that of powers.
    gains_db : dict of str to float
        Proposed gain of every band.
    """

    folder: str
    status: Literal["done", "failed"]
    message: str = ""
    roomeq_version: str = ""
    best: bool = False
    plan: str = ""
    room: str = ""
    source: str = ""
    seats: int = 0
    moved: int = 0
    cautions: int = 0
    doubtful: bool = False
    judged: Literal["subwoofer", "sum", "together"] = "subwoofer"
    no_change: str = ""
    deviation_before_db: float | None = None
    deviation_after_db: float | None = None
    average_sd_before_db: float | None = None
    average_sd_after_db: float | None = None
    seat_sd_before_db: float | None = None
    seat_sd_after_db: float | None = None
    lower_bound_db: float | None = None
    filter_boost_db: float | None = None
    drive_boost_db: float | None = None
    drive_ratio: float | None = None
    level_change_db: float | None = None
    gains_db: dict[str, float] = msgspec.field(default_factory=dict)

    @classmethod
    def of(cls, plan: Plan, *, folder: str, best: bool, doubtful: bool) -> Self:
        """Return the row of a plan."""
        evidence, together = plan.evidence, plan.together is not None
        before_db, after_db = plan.judged_db
        return cls.copied(
            evidence,
            plan,
            folder=folder,
            status="done",
            message="; ".join(plan.findings),
            best=best,
            plan=plan_name(folder),
            seats=len(plan.seats),
            cautions=len(plan.reservations),
            doubtful=doubtful,
            judged="together" if together else "sum" if plan.joining else "subwoofer",
            no_change="" if plan.no_change is None else plan.no_change.value,
            deviation_before_db=before_db,
            deviation_after_db=after_db,
            lower_bound_db=None if together or plan.joining else evidence.lower_bound_db,
            filter_boost_db=None if together else evidence.filter_boost_db,
            drive_boost_db=None if together else evidence.drive_boost_db,
            drive_ratio=None if together else evidence.power_ratio,
            level_change_db=plan.level.change_db,
            gains_db={} if together else {band.label: band.gain_db for band in plan.bands},
        )


def plan_name(folder: str) -> str:
    """Return the name of a room's plan: its folder's, and what tells it from others so named."""
    return f"{Path(folder).name[:80]}.{sha256(folder.encode()).hexdigest()[:8]}.json"


class Journal:
    """The rows of a run in its folder.

    Parameters
    ----------
    folder : Path
        Where results are kept.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder / JOURNAL

    def plan_path(self, folder: str) -> Path:
        """Return where the plan of a room is kept."""
        return self.folder / PLANS / plan_name(folder)

    def rows(self) -> Iterator[RoomRow]:
        """Yield the rows as they were written; a torn last line is none.

        Raises
        ------
        PlanFileError
            If a line is no row.
        """
        if not self.path.exists():
            return
        with self.path.open("rb") as file:
            for number, line in enumerate(file, start=1):
                if not line.endswith(b"\n"):
                    return
                try:
                    yield msgspec.json.decode(line, type=RoomRow)
                except msgspec.MsgspecError as error:
                    remedy = "take the line out, and that room is done again"
                    raise PlanFileError(
                        f"is no row: {error}", path=self.path, line=number, remedy=remedy
                    ) from None

    def latest(self) -> list[RoomRow]:
        """Return the last row of every folder, by folder."""
        last = {row.folder: row for row in self.rows()}
        return [last[folder] for folder in sorted(last)]

    def finished(self, *, version: str, best: bool) -> set[str]:
        """Return the folders whose proposal stands, made by this release as it is asked for."""
        return {
            row.folder
            for row in self.latest()
            if (row.status, row.roomeq_version, row.best) == ("done", version, best)
            and self.plan_path(row.folder).exists()
        }

    def append(self, rows: Iterable[RoomRow]) -> Iterator[RoomRow]:
        """Write rows as they come, each onto the disk before it is handed on.

        Raises
        ------
        OSError
            If the disk is full; it names the journal.
        """
        self.path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with self.path.open("ab") as file:
                os.truncate(self.path, self.path.read_bytes().rfind(b"\n") + 1)
                for row in rows:
                    file.write(msgspec.json.encode(row) + b"\n")
                    file.flush()
                    os.fsync(file.fileno())
                    yield row
        except OSError as error:
            raise OSError(error.errno, error.strerror, error.filename or str(self.path)) from error


def rows_frame(rows: Iterable[RoomRow]) -> DataFrame:
    """Return rows as a pandas table, gains as ``gain_31.5_db``.

    Returns
    -------
    DataFrame
        The fields of `RoomRow`.
    """
    from pandas import DataFrame

    table = []
    for row in rows:
        entries = msgspec.structs.asdict(row)
        gains = entries.pop("gains_db").items()
        table.append(entries | {f"gain_{label}_db": gain for label, gain in gains})
    frame = DataFrame(table)
    return frame.astype({name: float for name in frame.columns if name.endswith("_db")})


def refuse_strangers(journal: Journal) -> None:
    """Raise if journal or table cannot be written, or a table stands there that no run wrote.

    Raises
    ------
    PlanFileError
        If one is a link, a device, write-protected, or not from a run.
    OSError
        If the folder does not exist or cannot be written to.
    """
    for file in (journal.path, _table_path(journal.folder)):
        refuse_other_kinds(
            file,
            kind="table of rooms",
            is_of_kind=lambda _: journal.path.exists(),
            error=PlanFileError,
        )


def _table_path(folder: Path) -> Path:
    return folder / f"{TABLE}.{'csv' if find_spec('pyarrow') is None else 'parquet'}"


def write_table(frame: DataFrame, folder: Path) -> Path:
    """Write the table of all rooms: parquet where pyarrow is there, else CSV.

    Returns
    -------
    Path
        What was written.
    """
    target = _table_path(folder)
    with replacing(target) as temporary:
        if target.suffix == ".parquet":
            frame.to_parquet(temporary, engine="pyarrow", index=False)
        else:
            frame.to_csv(temporary, index=False)
    return target
