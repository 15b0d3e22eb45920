"""The joining search against a complete scan, in modal rooms. Run by hand.

Figures to reach: the best setting of the complete scan in all of 20 rooms, at a third of its cost.
Also: what the three-term form saves against forming every complex sum, how many local minima the
landscape has, how often descent from "nothing set" misses the best, and what all settings together
gain over in turn.

Run it as ``python tests/benchmarks/bench_joining.py [rooms]``.
"""

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "sample_measurements"))
from modal_room import pressure_transfer

from roomeq.device.crossover import CrossoverFilter
from roomeq.device.profile import read_device
from roomeq.optimiser.all_settings import fit_all_settings
from roomeq.optimiser.joining_search import JoiningGrid, JoiningSurface, refine_place, search_grid
from roomeq.optimiser.joining_settings import DelayRange, JoiningSettings, LevelRange
from roomeq.optimiser.joining_survey import prepare_joining
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.target import Target
from roomeq.response import FrequencyResponse
from roomeq.survey import Measurement, Survey

FREQUENCIES = np.arange(15.0, 330.0, 0.75)
SEATS = 6
LOW = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=80.0)
HIGH = CrossoverFilter(kind="high_pass", family="linkwitz_riley", order=4, corner=80.0)


def seeded_room(seed):
    """Return a survey of a rectangular room: a listening area of six seats, sub late or flipped."""
    rng = np.random.default_rng(seed)
    sides = np.array([rng.uniform(4.5, 8), rng.uniform(3.3, 5.5), rng.uniform(2.3, 3.0)])
    spread = rng.uniform(-0.22, 0.22, (SEATS, 2))
    seats = np.column_stack(
        [(0.62 + spread[:, 0]) * sides[0], (0.5 + spread[:, 1]) * sides[1], np.full(SEATS, 1.1)]
    )
    sources = [(0.4, rng.uniform(0.4, sides[1] - 0.4), 0.3)]
    sources += [(0.6, share * sides[1], 0.9) for share in (0.25, 0.75)]
    decay = rng.uniform(0.25, 0.5)
    sub, left, right = (
        pressure_transfer(
            tuple(sides), source, seats, FREQUENCIES, decay_time=decay, highest_mode=600.0
        )
        for source in sources
    )
    fault = JoiningSettings(
        delay=rng.uniform(-0.004, 0.008),
        inverted=bool(rng.integers(2)),
        level_change_db=rng.uniform(-3, 3),
    )
    sub = sub * LOW.response(FREQUENCIES) * fault.response(FREQUENCIES)
    mains = (left + right) / 2 * HIGH.response(FREQUENCIES)
    return Survey(
        measurements=tuple(
            Measurement(
                seat=f"seat {index + 1}",
                source=source,
                route="bass_managed_main",
                response=FrequencyResponse.from_pressure(FREQUENCIES, rows[index]),
            )
            for index in range(SEATS)
            for source, rows in (("sub", sub), ("mains", mains))
        )
    )


def timed(call):
    start = time.perf_counter()
    result = call()
    return result, time.perf_counter() - start


def naive_seconds(data, grid, *, settings):
    """Return the time of forming the complex sum for that many random settings."""
    rng = np.random.default_rng(0)

    def run():
        for _ in range(settings):
            place = (
                int(rng.integers(grid.delays.size)),
                int(rng.integers(grid.phases_deg.size)),
                int(rng.integers(2)),
                int(rng.integers(grid.level_changes_db.size)),
            )
            error = data.error_db(grid.settings(place))
            value = Loss().value(error, trust=data.trust)
            data.seat_weights @ value @ data.frequency_weights

    return timed(run)[1]


def local_minima(values):
    """Count points of (D, Q, 2) below all neighbours in delay and phase."""
    padded = np.pad(values, [(1, 1), (1, 1), (0, 0)], constant_values=np.inf)
    inner = padded[1:-1, 1:-1]
    shifts = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]
    rows, columns = padded.shape[:2]
    around = [padded[1 + i : rows - 1 + i, 1 + j : columns - 1 + j] for i, j in shifts]
    return int(np.all([inner < other for other in around], axis=0).sum())


def joining_room(seed, phase):
    data = prepare_joining(seeded_room(seed), corner=80.0, common_time_reference=True)
    grid = JoiningGrid(
        delays=DelayRange().values,
        phases_deg=phase,
        phase_frequency=80.0,
        level_changes_db=LevelRange().values_db,
    )
    surface = JoiningSurface(data=data, loss=Loss(), phase_frequency=80.0)
    evaluated = [0]
    found, search = timed(lambda: search_grid(surface, grid, evaluated=evaluated))
    count, phases = grid.delays.size, grid.phases_deg.size
    values, scan = timed(
        lambda: surface.objective(
            np.repeat(grid.delays, phases),
            np.tile(grid.phases_deg, count),
            level_changes_db=grid.level_changes_db,
        ).reshape(count, phases, 2, -1)
    )
    exact = all(
        found[polarity, free][0][1]
        <= (values[:, :, polarity] if free else values[:, :1, polarity]).min() + 1e-9
        for polarity in (0, 1)
        for free in (False, True)
    )
    best = np.sqrt(values.min())
    middle = int(np.argmin(np.abs(grid.level_changes_db)))
    ends = [
        refine_place(surface, grid, (count // 2, 0, polarity, middle), phase_free=True)[1]
        for polarity in (0, 1)
    ]
    naive = naive_seconds(data, grid, settings=300) / 300 * grid.size
    return {
        "exact": exact,
        "share": evaluated[0] / grid.size,
        "time": search / scan,
        "naive": scan / naive,
        "minima": local_minima(values.min(axis=-1)),
        "missed": np.sqrt(min(ends)) > best + 1e-3,
        "best": best,
        "search": search,
    }


def main():
    rooms = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    device = read_device("nine_band")
    for name, phase in (
        ("15 degrees", np.arange(0, 181, 15.0)),
        ("5 degrees", np.arange(0, 181, 5.0)),
    ):
        rows = [joining_room(seed, phase) for seed in range(rooms)]
        print(f"{rooms} rooms of {SEATS} seats, +-20 ms in 0.1 ms, +-6 dB in 0.5 dB, phase {name}")
        exact = sum(row["exact"] for row in rows)
        print(f"  best of the complete scan in all four classes: {exact} of {rooms}")
        for key, words in (
            ("share", "settings evaluated over all settings (at most 1/3)"),
            ("time", "time over that of the complete scan (at most 1/3)"),
            ("naive", "complete scan, three terms over forming every sum"),
            ("minima", "local minima over delay, phase and polarity"),
            ("best", "best deviation, dB"),
            ("search", "search, s"),
        ):
            values = [row[key] for row in rows]
            print(
                f"  {words}: median {np.median(values):.3g}, {min(values):.3g} to {max(values):.3g}"
            )
        missed = sum(row["missed"] for row in rows)
        print(f"  descent from 'nothing set', misses the best: {missed} of {rooms}")
    gains, times = [], []
    for seed in range(min(rooms, 10)):
        fit, seconds = timed(
            lambda seed=seed: fit_all_settings(
                seeded_room(seed),
                corner=80.0,
                common_time_reference=True,
                equaliser=device.equaliser,
                target=Target(path=(LOW,)),
                phase_control=device.phase,
            )
        )
        gains.append(fit.gain_db)
        times.append(seconds)
        print(
            f"  room {seed}: {fit.deviation_before_db:.2f} dB now, "
            f"{fit.in_turn_deviation_db:.2f} in turn, {fit.deviation_db:.2f} together "
            f"({fit.rounds} rounds, {seconds:.1f} s)"
        )
    print(
        f"all settings together over in turn: median {np.median(gains):.2f} dB better, "
        f"{min(gains):.2f} to {max(gains):.2f}; median {np.median(times):.1f} s"
    )


if __name__ == "__main__":
    main()
