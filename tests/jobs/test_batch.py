"""Many rooms: as a plain loop finds them, for any executor, and nothing lost when killed."""

import json
import os
import random
import signal
import subprocess
import sys
import time
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest
from batch_rooms import QUICK, write_rooms
from joining_rooms import JOINED_TOML, write_joined_room

import roomeq as rq
from roomeq.base.doing import watched
from roomeq.base.errors import PlanFileError, RoomeqError
from roomeq.cli.main import main
from roomeq.jobs.batch import _workers

TESTS = Path(__file__).parents[1]


class Here(Executor):
    """Does the work at once, and counts what is handed out and not yet fetched."""

    def __init__(self, fault=None):
        self.fault, self.submitted = fault, []

    def submit(self, work, /, *args, **kwargs):
        future = Future()
        self.submitted.append(args[0])
        if self.fault is not None and "00002" in args[0]:
            future.set_exception(self.fault)
        else:
            future.set_result(work(*args, **kwargs))
        return future


@pytest.fixture(scope="module")
def rooms(tmp_path_factory):
    return write_rooms(tmp_path_factory.mktemp("rooms"), range(4), more=QUICK)


@pytest.fixture(scope="module")
def looped(rooms):
    """The plain loop that everything is compared with."""
    return {str(room): rq.propose(rq.read_room(room)) for room in rooms}


def agrees_with(frame, looped):
    assert list(frame["folder"]) == sorted(looped)
    for row in frame.to_dict("records"):
        plan = looped[row["folder"]]
        assert row["status"] == "done"
        assert row["deviation_before_db"] == plan.deviation_before_db
        assert row["deviation_after_db"] == plan.deviation_after_db
        gains = [row[f"gain_{band.label}_db"] for band in plan.bands]
        assert gains == list(plan.gains_db)


def test_the_same_as_a_plain_loop_in_processes_threads_and_here(rooms, looped, tmp_path):
    frames = []
    with ThreadPoolExecutor(3) as threads:
        for name, how in (
            ("processes", {"jobs": 2}),
            ("threads", {"executor": threads}),
            ("here", {"executor": Here(), "ahead": 1}),
        ):
            found = rq.batch.propose_many(reversed(rooms), out=tmp_path / name, **how)
            assert (found.done, found.failed, found.kept) == (4, 0, 0)
            agrees_with(found.to_frame(), looped)
            frames.append(found.table.read_bytes())
            for row in found.rows():
                kept = rq.read_plan(found.out / "plans" / row.plan)
                assert kept == looped[row.folder]
    assert frames[0] == frames[1] == frames[2]


def test_on_a_cluster_in_another_process(rooms, looped, tmp_path):
    distributed = pytest.importorskip("distributed")
    options = {"n_workers": 1, "threads_per_worker": 2, "dashboard_address": None}
    with (
        distributed.LocalCluster(processes=True, **options) as cluster,
        distributed.Client(cluster) as client,
    ):
        assert os.getpid() not in client.run(os.getpid).values()
        found = rq.batch.propose_many(rooms, out=tmp_path, executor=client.get_executor())
    agrees_with(found.to_frame(), looped)


def test_a_worker_uses_one_thread_for_linear_algebra(monkeypatch):
    names = "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"
    for name in names:
        monkeypatch.setenv(name, "7")
    with _workers(None, 1) as workers:
        assert list(workers.map(os.getenv, names)) == ["1", "1"]
    assert [os.getenv(name) for name in names] == ["7", "7"]


def test_a_failure_is_recorded_and_the_rest_go_on(tmp_path):
    rooms = write_rooms(tmp_path / "in", range(3), more=QUICK)
    (rooms[1] / "seat_1.txt").write_text("nothing that could be read\n")
    found = rq.batch.propose_many(rooms, out=tmp_path / "out", executor=Here())
    assert (found.done, found.failed) == (2, 1)
    failed = found.rows()[1]
    assert failed.status == "failed"
    assert "seat_1.txt" in failed.message
    write_rooms(tmp_path / "mended", [1])
    (rooms[1] / "seat_1.txt").write_bytes((tmp_path / "mended/room_00001/seat_1.txt").read_bytes())
    again = rq.batch.propose_many(rooms, out=tmp_path / "out", executor=Here(), resume=True)
    assert (again.kept, again.done, again.failed) == (2, 1, 0)
    assert list(again.to_frame()["status"]) == ["done"] * 3


def test_what_an_executor_could_not_do_is_recorded_unless_it_broke(tmp_path):
    rooms = write_rooms(tmp_path / "in", range(3), more=QUICK)
    lost = Here(fault=RuntimeError("worker lost"))
    found = rq.batch.propose_many(rooms, out=tmp_path / "lost", executor=lost)
    assert [row.message for row in found.rows()] == ["", "", "RuntimeError: worker lost"]
    with pytest.raises(RoomeqError, match="what was finished is kept"):
        rq.batch.propose_many(
            rooms, out=tmp_path / "broken", executor=Here(fault=BrokenExecutor("gone")), ahead=1
        )
    again = rq.batch.propose_many(rooms, out=tmp_path / "broken", executor=Here(), resume=True)
    assert (again.kept, again.done) == (2, 1)


def test_resuming_does_nothing_again_but_what_is_missing_or_was_asked_otherwise(tmp_path):
    rooms = write_rooms(tmp_path / "in", range(3), more=QUICK)
    out = tmp_path / "out"
    found = rq.batch.propose_many([rooms[0], rooms[1], rooms[0]], out=out, executor=Here())
    with pytest.raises(ValueError, match="earlier run"):
        rq.batch.propose_many(rooms, out=out, executor=Here())
    (out / "plans" / found.rows()[1].plan).unlink()
    journal = out / "rooms.jsonl"
    journal.write_bytes(journal.read_bytes() + b'{"folder": "torn')
    here, heard = Here(), []
    with watched(heard.append):
        again = rq.batch.propose_many(rooms, out=out, executor=here, resume=True)
    assert here.submitted == [str(rooms[1]), str(rooms[2])]
    assert [w for w in heard if "rooms" in w] == ["1 of 2 rooms", "2 of 2 rooms"]
    assert again.kept == 1
    assert len(again.to_frame()) == 3
    here = Here()
    rq.batch.propose_many(rooms, out=out, executor=here, resume=True, best=True)
    assert len(here.submitted) == 3
    journal.write_text("no row\n")
    with pytest.raises(PlanFileError, match=r"rooms\.jsonl, line 1: is no row"):
        rq.batch.propose_many(rooms, out=out, executor=Here(), resume=True)


def test_no_more_than_so_many_are_handed_out_at_a_time(tmp_path):
    class Late(Executor):
        """Does nothing until nobody hands out more, which `wait` of the futures shows."""

        def __init__(self):
            self.open, self.most = [], 0

        def submit(self, work, /, *args, **kwargs):
            self.open = [future for future in self.open if not future.done()]
            threads.submit(time.sleep, 0.05)  # so long as a room would take
            future = threads.submit(work, *args, **kwargs)
            self.open.append(future)
            self.most = max(self.most, len(self.open))
            return future

    late = Late()
    with ThreadPoolExecutor(1) as threads:
        none = [tmp_path / str(number) for number in range(4)]
        found = rq.batch.propose_many(none, out=tmp_path / "out", executor=late, ahead=2)
    assert found.failed == 4
    assert late.most == 2


def test_killed_at_random_moments_no_finished_room_is_lost_or_done_again(tmp_path):
    rooms = write_rooms(tmp_path / "in", range(9), more=QUICK)
    out, chance, seen = tmp_path / "out", random.Random(1), {}
    words = [sys.executable, "-m", "roomeq", "batch", *map(str, rooms), "--out", str(out)]
    for _ in range(2):
        run = subprocess.Popen([*words, "--jobs", "1", "--resume"], stdout=subprocess.DEVNULL)
        begun, journal = time.monotonic(), out / "rooms.jsonl"
        wanted = len(seen) + chance.randint(1, 3)
        while time.monotonic() - begun < 60 and run.poll() is None:
            if journal.exists() and journal.read_bytes().count(b"\n") >= wanted:
                break
            time.sleep(0.005)
        time.sleep(chance.uniform(0.0, 0.05))
        os.kill(run.pid, signal.SIGKILL)
        run.wait()
        whole = journal.read_bytes().split(b"\n")[:-1]
        rows = [json.loads(line)["folder"] for line in whole]
        assert set(seen) <= set(rows)
        assert len(rows) == len(set(rows))  # none was done again
        seen = dict.fromkeys(rows)
        for folder, plan in ((row["folder"], row["plan"]) for row in map(json.loads, whole)):
            assert rq.read_plan(out / "plans" / plan).room == f"Room {int(folder[-5:])}"
    assert 2 <= len(seen) < 9
    here = Here()
    found = rq.batch.propose_many(rooms, out=out, executor=here, resume=True)
    assert len(here.submitted) == 9 - len(seen)
    straight = rq.batch.propose_many(rooms, out=tmp_path / "straight", executor=Here())
    pd.testing.assert_frame_equal(found.to_frame(), straight.to_frame())


def test_rows_hold_the_figures_of_what_was_judged(rooms, tmp_path):
    written = write_joined_room(tmp_path, toml=JOINED_TOML + QUICK, seats=1, low_passes=1)
    folders = [rooms[0], written]
    found = rq.batch.propose_many(folders, out=tmp_path / "out", executor=Here())
    rows = {row.folder: row for row in found.rows()}
    alone, joined = (rows[str(folder)] for folder in folders)
    assert (alone.judged, joined.judged) == ("subwoofer", "sum")
    plan = rq.read_plan(found.out / "plans" / joined.plan)
    assert (joined.deviation_before_db, joined.deviation_after_db) == plan.joining.judged
    assert joined.lower_bound_db is None
    assert alone.lower_bound_db <= alone.deviation_after_db
    assert alone.drive_ratio == pytest.approx(10.0 ** (alone.drive_boost_db / 10.0))


def test_misuse_is_refused(rooms, tmp_path):
    with pytest.raises(ValueError, match="at least one"):
        rq.batch.propose_many([], out=tmp_path)
    with pytest.raises(ValueError, match="at least 1"):
        rq.batch.propose_many(rooms, out=tmp_path, jobs=0)
    with pytest.raises(ValueError, match="its own workers"):
        rq.batch.propose_many(rooms, out=tmp_path, executor=Here(), jobs=2)


def test_the_command_tells_and_keeps(rooms, tmp_path, capsys, monkeypatch):
    here = {1: Here()}  # processes are killed above, with the same words
    monkeypatch.setattr("roomeq.jobs.batch.ProcessPoolExecutor", lambda jobs, **_: here[jobs])
    out = tmp_path / "out"
    words = ["batch", *map(str, rooms), str(tmp_path / "none"), "--out", str(out), "--jobs", "1"]
    assert main([*words, "--plot"]) == 1
    said = capsys.readouterr().out
    assert "4 of 5 rooms done" in said
    assert "1 failed:" in said
    assert (out / "rooms.png").stat().st_size > 5000
    assert main([*words, "--resume", "--json"]) == 1
    rows = json.loads(capsys.readouterr().out)
    assert [row["status"] for row in rows] == [*["done"] * 4, "failed"]
    values = sorted(row["deviation_after_db"] for row in rows[:4])
    median = 0.5 * (values[1] + values[2])
    line = next(text for text in said.splitlines() if "with the proposal" in text)
    assert line.split()[-2] == f"{median:.1f}"
    table = out / "rooms.csv"
    if table.exists():
        assert list(pd.read_csv(table)["folder"]) == [row["folder"] for row in rows]
    assert main(words) == 2


def test_a_table_in_parquet_where_it_can_be_written(rooms, tmp_path):
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: tables are CSV")
    found = rq.batch.propose_many(rooms, out=tmp_path, executor=Here())
    assert found.table.name == "rooms.parquet"
    pd.testing.assert_frame_equal(pd.read_parquet(found.table), found.to_frame())


def test_a_table_of_others_is_left_before_anything_is_computed(tmp_path):
    for name in ("rooms.csv", "rooms.parquet"):
        (tmp_path / name).write_text("mine", "utf-8")
    here = Here()
    with pytest.raises(PlanFileError, match="is not a table of rooms"):
        rq.batch.propose_many([tmp_path], out=tmp_path, executor=here)
    assert here.submitted == []
    assert {(tmp_path / name).read_text("utf-8") for name in ("rooms.csv", "rooms.parquet")} == {
        "mine"
    }
