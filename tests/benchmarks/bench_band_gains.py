"""Proof, start and competitors of the band-gain search on random rooms; run by hand.

    python tests/benchmarks/bench_band_gains.py [--rooms 168] [--evolution 12]

Times are processor time of this process, so that other work on the machine counts little. Rooms are
invented and seeded: a sum of damped modes, in part shared by the seats, on a direct sound; 9 seats,
1/24 octave from 20 to 160 Hz after a smoothing over neighbours, peaks of about +10 dB and dips down
to -20 dB. The equaliser has nine third-octave bands of -12 to +6 dB in steps of 0.5 dB.
Set OPENBLAS_NUM_THREADS=1 on a machine with other work: the matrices are small, and threads that
wait count
as processor time. Start and SLSQP are both given the stacked tables.
"""

from __future__ import annotations

import argparse
import math
import time

import numpy as np
from scipy.optimize import differential_evolution, minimize
from scipy.signal import freqz

from roomeq.bands import logarithmic_axis, third_octave_bands
from roomeq.optimiser.problem import BandGainProblem
from roomeq.optimiser.search import solve_band_gains
from roomeq.optimiser.stacked import StackedTables
from roomeq.optimiser.start import feasible_near, start_setting

FIT = logarithmic_axis(20.0, 160.0, per_octave=24)
LIMIT = logarithmic_axis(10.0, 300.0, per_octave=48)
CENTRES = [band.centre for band in third_octave_bands(20.0, 125.0)]
NO_BOOST_BELOW = 25.0
THIRD_OCTAVE_Q = 4.318  # of a band as wide as its third octave, as in the check values
QUALITY = {
    "constant Q": lambda gain_db: THIRD_OCTAVE_Q,
    "Q following gain": lambda gain_db: THIRD_OCTAVE_Q * (0.5 + 0.5 * abs(gain_db) / 12.0),
    "Q following gain steeply": lambda gain_db: THIRD_OCTAVE_Q * (0.2 + 0.8 * abs(gain_db) / 12.0),
}


def peaking_db(frequencies, centre, q, gain_db, rate=48000.0):
    """Peaking section of the W3C Audio EQ Cookbook, evaluated by scipy."""
    a, w0 = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * centre / rate
    alpha = math.sin(w0) / (2.0 * q)
    b = [1.0 + alpha * a, -2.0 * math.cos(w0), 1.0 - alpha * a]
    c = [1.0 + alpha / a, -2.0 * math.cos(w0), 1.0 - alpha / a]
    return 20.0 * np.log10(np.abs(freqz(b, c, worN=frequencies, fs=rate)[1]))


def equaliser(law):
    gains = [np.arange(-24, (0 if c < NO_BOOST_BELOW else 12) + 1) * 0.5 for c in CENTRES]

    def tables(frequencies):
        return tuple(
            np.array([peaking_db(frequencies, c, law(g), g) for g in grid])
            for c, grid in zip(CENTRES, gains, strict=True)
        )

    return {
        "gains_db": tuple(gains),
        "tables_db": tables(FIT),
        "limit_frequencies": LIMIT,
        "limit_tables_db": tables(LIMIT),
        "filter_cap_db": np.where(LIMIT < NO_BOOST_BELOW, 0.5, 3.0),
        "drive_boost_db": 6.0,
    }


def room_error_db(seed, seats=9):
    rng = np.random.default_rng(seed)
    count = rng.integers(8, 16)
    modes = np.exp(rng.uniform(np.log(18.0), np.log(170.0), count))
    quality, size = rng.uniform(4.0, 16.0, count), rng.uniform(0.3, 1.4, count)
    shared, apart = rng.normal(size=count), rng.uniform(0.05, 0.8)
    direct = rng.uniform(-1.0, 1.0)
    relative = 1j * FIT[:, None] / modes
    shapes = (relative / quality) / (1.0 + relative**2 + relative / quality)
    levels = []
    for _ in range(seats):
        couplings = math.sqrt(1.0 - apart**2) * shared + apart * rng.normal(size=count)
        phase = direct + apart * rng.uniform(-1.0, 1.0)
        response = 0.35 * np.exp(1j * phase) + shapes @ (size * couplings)
        levels.append(20.0 * np.log10(np.abs(response)))
    level = np.array(levels)
    level -= 10.0 * np.log10(np.mean(10.0 ** (level / 10.0)))
    level += 0.5 * rng.uniform(-3.0, 3.0) * np.log2(FIT / 60.0)
    power = np.pad(10.0 ** (level / 10.0), ((0, 0), (1, 1)), mode="edge")
    smoothed = (0.5 * power[:, :-2] + power[:, 1:-1] + 0.5 * power[:, 2:]) / 2.0
    return np.maximum(10.0 * np.log10(smoothed), -20.0)


def room_problem(seed, device):
    error = room_error_db(seed)
    trust = np.where(error < 0.0, np.clip(1.5 - error.std(axis=0) / 8.0, 0.2, 1.0), 1.0)
    return BandGainProblem(
        error_db=error,
        seat_weights=np.ones(len(error)),
        frequency_weights=np.ones(FIT.size),
        trust=trust,
        **device,
    )


def sequential_quadratic(tables):
    """SLSQP with gradients on positions between labels, limits as constraints, then rounding."""
    highest = tables.allowed.sum(axis=1) - 1.0
    bands = np.arange(len(highest))

    def parts(position):
        lower = np.clip(np.floor(position), 0, np.maximum(highest - 1, 0)).astype(np.int64)
        part, upper = position - lower, np.minimum(lower + 1, tables.fit.shape[1] - 1)
        low, row = tables.fit[bands, lower], tables.rows[bands, lower]
        slope, row_slope = tables.fit[bands, upper] - low, tables.rows[bands, upper] - row
        offset, rows = low.sum(axis=0) + part @ slope, row.sum(axis=0) + part @ row_slope
        return offset, slope, rows, row_slope

    def objective(position):
        offset, slope, _, _ = parts(position)
        value, first, _ = tables.loss.expansion(offset)
        return value.sum(), slope @ first

    limits = {
        "type": "ineq",
        "fun": lambda position: tables.caps - parts(position)[2],
        "jac": lambda position: -parts(position)[3].T,
    }
    zero = np.abs(np.where(tables.allowed, tables.gains, np.inf)).argmin(axis=1).astype(float)
    bounds = list(zip(np.zeros_like(highest), highest, strict=True))
    found = minimize(
        objective,
        zero,
        jac=True,
        method="SLSQP",
        bounds=bounds,
        constraints=[limits],
        options={"maxiter": 200},
    )
    rounded = np.clip(np.rint(found.x), 0, highest).astype(np.int64)
    return feasible_near(tables, rounded)


def evolution(tables, seed):
    """Differential evolution over labels, broken limits as a penalty."""
    counts = tables.allowed.sum(axis=1)

    def merit(columns):
        labels = np.clip(np.rint(columns.T), 0, counts - 1).astype(np.int64)
        return tables.objective(labels) + 1e3 * np.maximum(tables.excess(labels), 0.0)

    found = differential_evolution(
        merit,
        [(0, count - 1) for count in counts],
        integrality=np.ones(len(counts), dtype=bool),
        popsize=15,
        rng=seed,
        polish=False,
        tol=1e-6,
        vectorized=True,
        updating="deferred",
        maxiter=1000,
    )
    return np.rint(found.x).astype(np.int64)


def timed(call, *arguments, **options):
    begin = time.process_time()
    result = call(*arguments, **options)
    return result, time.process_time() - begin


def report_proof(name, problems, within):
    print(f"\n{name}: proof within 0.05 dB, {len(problems)} rooms")
    rows = []
    for problem in problems:
        proof, seconds = timed(solve_band_gains, problem, tie_break_db=0.0)
        whole, whole_seconds = timed(solve_band_gains, problem)
        rows.append((seconds, proof.nodes, proof.gap_db, proof.proven, whole_seconds))
        rows[-1] += (whole.tie_break_exact,)
    seconds, nodes, gap, proven, whole, exact = np.array(rows).T
    reached = np.mean((proven > 0) & (seconds <= within))
    print(f"  proven within {within:g} s      {100 * reached:6.1f} %")
    print(
        f"  seconds  median {np.median(seconds):.3f}  90 % {np.quantile(seconds, 0.9):.3f}", end=""
    )
    print(f"  95 % {np.quantile(seconds, 0.95):.3f}  longest {seconds.max():.3f}")
    print(f"  nodes    median {np.median(nodes):.0f}  most {nodes.max():.0f}")
    print(f"  gap      median {np.median(gap):.4f} dB  largest {gap.max():.4f} dB")
    print(
        f"  with tie-break: seconds median {np.median(whole):.3f}  longest {whole.max():.3f}",
        end="",
    )
    print(f"  proven exact {100 * exact.mean():.1f} %")


def report_start(name, problems):
    print(f"\n{name}: start against SLSQP with gradients, rounded, {len(problems)} rooms")
    rows = []
    for problem in problems:
        tables = StackedTables.from_problem(problem)
        start, seconds = timed(start_setting, tables)
        other, other_seconds = timed(sequential_quadratic, tables)
        best = solve_band_gains(problem, gap_db=0.0, tie_break_db=0.0, node_limit=3000)
        unmoved = feasible_near(tables, np.abs(tables.gains).argmin(axis=1))
        before = math.sqrt(problem.objective(unmoved))
        reducible = before - best.best_deviation_db
        ours = math.sqrt(problem.objective(start)) - best.best_deviation_db
        theirs = math.sqrt(problem.objective(other)) - best.best_deviation_db
        rows.append(
            (
                seconds / other_seconds,
                ours / best.best_deviation_db,
                theirs / best.best_deviation_db,
                ours / reducible,
                theirs / reducible,
                best.proven,
            )
        )
    ratio, ours, theirs, ours_part, theirs_part, proven = np.array(rows).T
    print(f"  time over SLSQP's: median {np.median(ratio):.2f}  90 % {np.quantile(ratio, 0.9):.2f}")
    print(f"  best proven to be the optimum in {100 * proven.mean():.0f} %")
    for label, start, slsqp in (
        ("of the deviation", ours, theirs),
        ("of the reducible part", ours_part, theirs_part),
    ):
        for who, excess in (("start", start), ("SLSQP", slsqp)):
            print(
                f"  {who}, excess {label:22s} within 0.2 %: {100 * np.mean(excess <= 0.002):5.1f} %"
                f"  exact {100 * np.mean(excess <= 1e-12):5.1f} %  worst {100 * excess.max():.2f} %"
            )


def report_evolution(name, problems):
    print(f"\n{name}: best found against differential evolution, {len(problems)} rooms")
    for number, problem in enumerate(problems):
        tables = StackedTables.from_problem(problem)
        ours, seconds = timed(solve_band_gains, problem, tie_break_db=0.0)
        labels, other_seconds = timed(evolution, tables, number)
        kept = bool(problem.feasible(labels))
        theirs = math.sqrt(problem.objective(labels)) if kept else math.inf
        verdict = "worse" if ours.best_deviation_db > theirs + 1e-9 else "not worse"
        print(
            f"  room {number:3d}  ours {ours.best_deviation_db:.4f} dB in {seconds:.3f} s"
            f"  evolution {theirs:.4f} dB in {other_seconds:.2f} s  {verdict}"
        )


def main():
    parser = argparse.ArgumentParser(description="Benchmark of the band-gain search.")
    parser.add_argument("--rooms", type=int, default=168)
    parser.add_argument("--evolution", type=int, default=12)
    chosen = parser.parse_args()
    for name, law in QUALITY.items():
        device = equaliser(law)
        problems = [room_problem(seed, device) for seed in range(chosen.rooms)]
        solve_band_gains(problems[0])
        report_proof(name, problems, 1.0 if name == "constant Q" else 10.0)
        report_start(name, problems)
        if name != "Q following gain steeply":
            report_evolution(name, problems[: chosen.evolution])


if __name__ == "__main__":
    main()
