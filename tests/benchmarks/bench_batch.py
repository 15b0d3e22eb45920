"""Many rooms: two workers beside one, the cost beside a plain loop, kills, memory, a cluster.

    OMP_NUM_THREADS=1 python tests/benchmarks/bench_batch.py [--rooms 1000] [--seats 9]
        [--turns 5] [--overhead] [--kills 20] [--cluster]

Prints ratios. Rooms are text exports made by formula alone; a plain loop reads, proposes and writes
each plan. Beside it stands the batch in the same process, a room by the one way and then by the
other, so that whatever else the machine does hits both. Times of processes hold their start.
"""

import argparse
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from concurrent.futures import Executor, Future
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from batch_rooms import QUICK, write_rooms

import roomeq as rq


class Here(Executor):
    """Does the work at once, in this process."""

    def submit(self, work, /, *args, **kwargs):
        future = Future()
        future.set_result(work(*args, **kwargs))
        return future


class Beside(Here):
    """Does each room once more as a plain loop does, by turns before and after, and takes times."""

    def __init__(self, out):
        self.out, self.count, self.took = out, 0, np.zeros(2)

    def submit(self, work, /, *args, **kwargs):
        first, self.count = self.count % 2 == 0, self.count + 1
        if first:
            self.plain(args[0])
        future = super().submit(work, *args, **kwargs)
        if not first:
            self.plain(args[0])
        return future

    def plain(self, room):
        start = clocks()
        rq.write_plan(rq.propose(rq.read_room(room)), self.out / f"{Path(room).name}.json")
        self.took += clocks() - start


def clocks():
    return np.array([time.process_time(), time.perf_counter()])


def overhead(rooms, folder, *, turns):
    """Print what a batch costs beside a plain loop, room by room within one run."""
    ratios = []
    for turn in range(turns + 1):
        out = folder / f"plain{turn}"
        out.mkdir()
        beside, start = Beside(out), clocks()
        rq.batch.propose_many(rooms, out=folder / f"here{turn}", executor=beside)
        ratios.append((clocks() - start) / beside.took - 2.0)
    mean = np.mean(ratios[1:], axis=0)  # the first turn warms up
    error = np.std(ratios[1:], axis=0, ddof=1) / np.sqrt(turns)
    for name, one, sd in zip(("processor time", "time on the clock"), mean, error, strict=True):
        said = f"{turns} x {len(rooms)} rooms, batch over plain loop, {name}"
        print(f"{said}: {1.0 + one:.3f} (s.e. {sd:.3f})")


def timed(work):
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def lines_of(journal):
    return journal.read_bytes().count(b"\n") if journal.exists() else 0


def killed(rooms, out, times):
    """Kill a run at random moments, end it, and count rooms that were done twice or lost."""
    chance, lost, seen = random.Random(5), 0, set()
    words = [sys.executable, "-m", "roomeq", "batch", *map(str, rooms), "--out", str(out)]
    journal, fell, torn = out / "rooms.jsonl", 0, 0
    for _ in range(times):
        run = subprocess.Popen([*words, "--resume", "--jobs", "1"], stdout=subprocess.DEVNULL)
        wanted = len(seen) + chance.randint(0, 4)
        while run.poll() is None and lines_of(journal) < wanted:
            time.sleep(0.001)
        time.sleep(chance.uniform(0.0, 0.3))
        if run.poll() is None:
            os.kill(run.pid, signal.SIGKILL)
            fell += 1
        run.wait()
        whole = journal.read_bytes().split(b"\n")[:-1] if journal.exists() else []
        torn += journal.exists() and not journal.read_bytes().endswith(b"\n")
        lost += len(seen - set(whole))
        seen = set(whole)
    found = rq.batch.propose_many(rooms, out=out, executor=Here(), resume=True)
    again = lines_of(journal) - len(rooms)
    print(f"killed {fell} times, {len(seen)} rooms done by then, {torn} torn lines")
    print(f"{lost} rows lost, {again} rooms done twice, {found}")


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--rooms", type=int, default=1000)
    parser.add_argument("--seats", type=int, default=9)
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--turns", type=int, default=5)
    parser.add_argument("--overhead", action="store_true", help="measure that alone")
    parser.add_argument("--cluster", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        kind = {"seats": options.seats, "points": 400, "more": QUICK if options.kills else ""}
        rooms = write_rooms(folder / "in", range(options.rooms), **kind)
        if options.kills:
            return killed(rooms, folder / "killed", options.kills)
        part = rooms[: max(20, options.rooms // 5)]
        overhead(part, folder, turns=options.turns)
        if options.overhead:
            return None
        most = []
        for count in (len(part) // 2, len(part)):
            name = f"memory{count}"
            rq.batch.propose_many(rooms[:count], out=folder / name, executor=Here())
            most.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
        print("most memory after half and all of them, MB:", *(f"{mb:.0f}" for mb in most))
        took = {
            jobs: timed(
                lambda jobs=jobs: rq.batch.propose_many(
                    rooms, out=folder / f"jobs{jobs}", jobs=jobs
                )
            )
            for jobs in (1, 2)
        }
        print(
            f"{len(rooms)} rooms of {options.seats} seats, two workers over one: "
            f"{took[2] / took[1]:.2f} ({took[1] / len(rooms):.3f} s a room with one)"
        )
        tables = [(folder / f"jobs{n}" / "rooms.csv") for n in (1, 2)]
        if all(table.exists() for table in tables):
            print("the same table:", tables[0].read_bytes() == tables[1].read_bytes())
        if options.cluster:
            from distributed import Client, LocalCluster

            with (
                LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
                Client(cluster) as client,
            ):
                workers = client.get_executor()
                other = timed(
                    lambda: rq.batch.propose_many(rooms, out=folder / "dask", executor=workers)
                )
            print(f"a cluster of two processes over one worker: {other / took[1]:.2f}")


if __name__ == "__main__":
    main()
