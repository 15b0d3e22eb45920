"""Many rooms, one after the other or side by side: a plan for each, and a table of all.

Conventions
-----------
The work goes to a `concurrent.futures.Executor`; nothing is scheduled, retried or balanced here. A
room reads its folder and writes its plan where it is worked through; only its row comes back. So
many rooms are handed out at a time and no more, that memory does not grow with their number.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from roomeq.base.doing import say_doing
from roomeq.base.errors import RoomeqError
from roomeq.importers.room import read_room
from roomeq.jobs.propose import propose
from roomeq.jobs.proposed_plan import release
from roomeq.plan.plan import write_plan
from roomeq.plan.rooms import Journal, RoomRow, refuse_strangers, rows_frame, write_table

if TYPE_CHECKING:
    from pandas import DataFrame

AHEAD = 256
"""Rooms handed out at a time: enough for a cluster of a hundred workers."""
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What became of many rooms.

    Attributes
    ----------
    out : Path
        The folder of the results: ``plans`` and the table.
    table : Path
        The table of all rooms, parquet or CSV.
    kept, done, failed : int
        Rooms that an earlier run had finished, and those of this run.
    """

    out: Path
    table: Path
    kept: int
    done: int
    failed: int

    def rows(self) -> list[RoomRow]:
        """Return the last row of every folder, by folder."""
        return Journal(self.out).latest()

    def to_frame(self) -> DataFrame:
        """Return the table of all rooms that the folder holds, by folder.

        Returns
        -------
        DataFrame
            As `roomeq.plan.rooms.rows_frame`.
        """
        return rows_frame(self.rows())

    def __repr__(self) -> str:
        kept = f", {self.kept} done before" if self.kept else ""
        return f"<Batch in {self.out}: {self.done} rooms done, {self.failed} failed{kept}>"


def propose_many(
    folders: Iterable[str | PathLike[str]],
    *,
    out: str | PathLike[str],
    executor: Executor | None = None,
    jobs: int | None = None,
    resume: bool = False,
    best: bool = False,
    ahead: int = AHEAD,
) -> Batch:
    """Propose band gains for many rooms.

    Each room's plan goes into ``out/plans`` and its row onto the disk as soon as it is done; the
    table of all is written at the end. A room that fails is recorded with why, and the others go
    on.

    Parameters
    ----------
    folders : iterable of path-like
        Each as `roomeq.importers.room.read_room` takes it; one given twice is done once.
    out : path-like
        Folder of the results; made if it is not there.
    executor : concurrent.futures.Executor, optional
        What does the work, such as ``client.get_executor()`` of a Dask cluster, whose workers see
        the same folders; it is left running. By default processes of this machine.
    jobs : int, optional
        How many processes, without an `executor`; as many as there are processors by default.
    resume : bool
        Go on with an earlier run: what it finished stands, by the same release and the same `best`,
        as long as its plan is there; what failed is tried again. Whether a room was changed
        meanwhile is not looked at: remove its plan, and it is done again.
    best : bool
        As `roomeq.jobs.propose.propose`.
    ahead : int
        Rooms handed out at a time, at least 1.

    Returns
    -------
    Batch

    Raises
    ------
    ValueError
        If there are no folders, a number is not usable, or `out` holds an earlier run and `resume`
        is not given.
    RoomeqError
        If a worker process ended; what was finished is kept.
    PlanFileError
        If the rows of an earlier run cannot be read, or a table stands in `out` that no run wrote.
    OSError
        If the disk is full.
    """
    rooms = list(dict.fromkeys(os.path.realpath(folder) for folder in folders))
    if not rooms:
        raise ValueError("needs at least one room's folder")
    if ahead < 1 or not (jobs is None or jobs >= 1):
        raise ValueError(f"jobs and ahead are at least 1, got {jobs} and {ahead}")
    if executor is not None and jobs is not None:
        raise ValueError("jobs is for processes of this machine; an executor has its own workers")
    journal = Journal(Path(out).absolute())
    if journal.path.exists() and not resume:
        raise ValueError(
            f"{out} holds the results of an earlier run: go on with it (resume), or name another "
            "folder"
        )
    (journal.folder / "plans").mkdir(parents=True, exist_ok=True)
    refuse_strangers(journal)
    finished = journal.finished(version=release(), best=best)
    left = [room for room in rooms if room not in finished]
    with _workers(executor, jobs) as workers:
        rows = _worked_through(workers, left, journal, best=best, ahead=ahead)
        failed = _failures(journal.append(rows), len(left))
    return Batch(
        out=journal.folder,
        table=write_table(rows_frame(journal.latest()), journal.folder),
        kept=len(rooms) - len(left),
        done=len(left) - failed,
        failed=failed,
    )


def propose_one(folder: str, *, plan: str, best: bool) -> RoomRow:
    """Work one room through: read it, propose, write its plan; what fails is told in the row.

    Parameters
    ----------
    folder : str
    plan : str
        The file of the plan; what stands there gives way.
    best : bool
        As `propose`.
    """
    try:
        room = read_room(folder)
        found = propose(room, best=best)
        write_plan(found, plan, other_room=True)
    except Exception as error:
        return _failed(folder, error)
    doubtful = room.doubtful or bool(found.reservations)
    return RoomRow.of(found, folder=folder, best=best, doubtful=doubtful)


def _failed(folder: str, error: Exception) -> RoomRow:
    said = isinstance(error, RoomeqError | ValueError | OSError)
    message = str(error) if said else f"{type(error).__name__}: {error}"
    return RoomRow(folder=folder, status="failed", message=message, roomeq_version=release())


def _worked_through(
    workers: Executor, folders: list[str], journal: Journal, *, best: bool, ahead: int
) -> Iterator[RoomRow]:
    """Yield rows as rooms are done, a bounded number of them under way."""
    waiting = iter(folders)
    pending: dict[Future[RoomRow], str] = {}
    try:
        while True:
            for folder in islice(waiting, ahead - len(pending)):
                plan = str(journal.plan_path(folder))
                pending[workers.submit(propose_one, folder, plan=plan, best=best)] = folder
            if not pending:
                return
            for future in wait(pending, return_when=FIRST_COMPLETED).done:
                folder, error = pending.pop(future), future.exception()
                if isinstance(error, BrokenExecutor) or not isinstance(error, Exception | None):
                    raise error
                yield future.result() if error is None else _failed(folder, error)
    except BrokenExecutor as error:
        raise RoomeqError(
            f"a worker ended unexpectedly ({error}): what was finished is kept, go on with it "
            "(resume), with fewer jobs if memory was short"
        ) from error
    finally:
        for future in pending:
            future.cancel()


def _failures(rows: Iterable[RoomRow], count: int) -> int:
    """Count failures, and tell whoever watches how many are done and how long the rest takes."""
    started, failed = time.monotonic(), 0
    for number, row in enumerate(rows, start=1):
        failed += row.status == "failed"
        left = (time.monotonic() - started) / number * (count - number)
        text = f"{number} of {count} rooms{f', {failed} failed' if failed else ''}"
        say_doing(f"{text}, about {left / 60:.0f} min left" if left > 90 else text)
    return failed


@contextmanager
def _workers(executor: Executor | None, jobs: int | None) -> Iterator[Executor]:
    """Give the executor that was named, or processes of this machine that end with the body.

    Processes that start meanwhile use one thread for linear algebra each.
    """
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    afresh = multiprocessing.get_context("spawn")
    pool = executor or ProcessPoolExecutor(jobs, mp_context=afresh, initializer=_begin_worker)
    try:
        yield pool
    finally:
        if executor is None:
            pool.shutdown(cancel_futures=True)
        for name, value in before.items():
            os.environ.pop(name)
            if value is not None:
                os.environ[name] = value


def _begin_worker() -> None:
    """Leave interrupts to the parent, and end with it: a killed run leaves no process behind."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
