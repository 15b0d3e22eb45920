"""Proof, start and competitors of the band-gain search on random rooms; run by hand.

    python tests/benchmarks/bench_band_gains.py [--rooms 168] [--evolution 12] [--fine 12]

Times are processor time of this process, so that other work on the machine counts little. Rooms are
invented and seeded: a sum of damped modes, in part shared by the seats, on a direct sound; 9 seats,
1/24 octave from 20 to 126 Hz after a smoothing over neighbours, peaks of about +10 dB and dips down
to -20 dB. What is corrected is their power average; a roll-off below a drawn limit is excused, and
no boost is allowed below a floor or where fewer than three quarters of the seats are short. The
equaliser has nine third-octave bands of -12 to +6 dB in steps of 0.5 dB, or of -24 to +24 dB in
steps of 0.1 dB.
Set OPENBLAS_NUM_THREADS=1 on a machine with other work: the matrices are small, and threads that
wait count as processor time. Start and SLSQP are both given the stacked tables.
"""

from __future__ import annotations

import argparse
import math
import time

import numpy as np
from scipy.optimize import brentq, differential_evolution, minimize
from scipy.signal import freqz

from roomeq.base.bands import logarithmic_axis, third_octave_bands
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.device.equaliser import FixedBandEqualiser, QLaw
from roomeq.optimiser.bands.gains import fit_band_gains
from roomeq.optimiser.bands.problem import BandGainProblem
from roomeq.optimiser.bands.search import solve_band_gains
from roomeq.optimiser.bands.stacked import StackedTables
from roomeq.optimiser.bands.start import feasible_near, start_setting

FIT = logarithmic_axis(20.0, 125.9, per_octave=24)
LIMIT = logarithmic_axis(10.0, 300.0, per_octave=48)
CENTRES = [band.centre for band in third_octave_bands(20.0, 125.0)]
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


def equaliser(law, lowest=-12.0, highest=6.0, step=0.5):
    count = round((highest - lowest) / step) + 1
    gains = np.round(lowest + step * np.arange(count), 6)

    def tables(frequencies):
        return tuple(
            np.array([peaking_db(frequencies, c, law(g), g) for g in gains]) for c in CENTRES
        )

    return gains, tables(FIT), tables(LIMIT)


def room_levels_db(seed, seats=9, axis=FIT):
    rng = np.random.default_rng(seed)
    count = rng.integers(8, 16)
    modes = np.exp(rng.uniform(np.log(18.0), np.log(170.0), count))
    quality, size = rng.uniform(4.0, 16.0, count), rng.uniform(0.3, 1.4, count)
    shared, apart = rng.normal(size=count), rng.uniform(0.05, 0.8)
    direct = rng.uniform(-1.0, 1.0)
    relative = 1j * axis[:, None] / modes
    shapes = (relative / quality) / (1.0 + relative**2 + relative / quality)
    levels = []
    for _ in range(seats):
        couplings = math.sqrt(1.0 - apart**2) * shared + apart * rng.normal(size=count)
        phase = direct + apart * rng.uniform(-1.0, 1.0)
        response = 0.35 * np.exp(1j * phase) + shapes @ (size * couplings)
        levels.append(20.0 * np.log10(np.abs(response)))
    level = np.array(levels)
    level += 0.5 * rng.uniform(-3.0, 3.0) * np.log2(axis / 60.0)
    return level - 10.0 * np.log10(np.mean(10.0 ** (level / 10.0)))


def room_problem(seed, device):
    """The problem of a room, its level where the mean of what is asked for is 0."""
    level = room_levels_db(seed)
    power = np.pad(10.0 ** (level / 10.0), ((0, 0), (1, 1)), mode="edge")
    smoothed = (0.5 * power[:, :-2] + power[:, 1:-1] + 0.5 * power[:, 2:]) / 2.0
    seats = np.maximum(10.0 * np.log10(smoothed), -20.0)
    rng = np.random.default_rng(1000 + seed)
    limit, floor = rng.uniform(18.0, 40.0), rng.choice([20.0, 32.0])
    fall = 10.0 * np.log10(1.0 + 3.0 * (limit / FIT) ** 4)
    seats = seats - rng.choice([0.0, 1.0]) * fall
    average = 10.0 * np.log10(np.mean(10.0 ** (seats / 10.0), axis=0))

    def asked(error):
        return np.where(error < 0.0, np.minimum(error + fall, 0.0), error)

    common = brentq(lambda m: asked(average - m).mean(), average.min() - 1.0, average.max() + 60.0)
    few = (seats - common + fall <= -1.0).mean(axis=0) < 0.75
    nearest = np.abs(np.log(LIMIT[:, None] / FIT)).argmin(axis=1)
    gains, tables, limit_tables = device
    bands = [gains <= (0.0 if centre < floor else gains[-1]) for centre in CENTRES]
    return BandGainProblem(
        error_db=average - common,
        shortfall_db=asked(average - common),
        frequency_weights=np.ones(FIT.size),
        gains_db=tuple(gains[kept] for kept in bands),
        tables_db=tuple(each[kept] for each, kept in zip(tables, bands, strict=True)),
        limit_frequencies=LIMIT,
        limit_tables_db=tuple(each[kept] for each, kept in zip(limit_tables, bands, strict=True)),
        filter_cap_db=np.where(few[nearest] | (floor > LIMIT), 0.5, 3.0),
        present_gains_db=np.zeros(len(CENTRES)),
        present_response_db=np.zeros(FIT.size),
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
        proof, seconds = timed(solve_band_gains, problem, tie_share=0.0)
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
        best = solve_band_gains(problem, gap_db=0.0, tie_share=0.0, node_limit=3000)
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
        ours, seconds = timed(solve_band_gains, problem, tie_share=0.0)
        labels, other_seconds = timed(evolution, tables, number)
        kept = bool(problem.feasible(labels))
        theirs = math.sqrt(problem.objective(labels)) if kept else math.inf
        verdict = "worse" if ours.best_deviation_db > theirs + 1e-9 else "not worse"
        print(
            f"  room {number:3d}  ours {ours.best_deviation_db:.4f} dB in {seconds:.3f} s"
            f"  evolution {theirs:.4f} dB in {other_seconds:.2f} s  {verdict}"
        )


def report_leaving_out(seats=30, rooms=3):
    """Time of a whole fit, with every seat left out in turn and without that."""
    device = FixedBandEqualiser(
        bands=third_octave_bands(20, 125),
        lowest_db=-12.0,
        highest_db=6.0,
        step_db=0.5,
        q_law=QLaw.constant(THIRD_OCTAVE_Q),
    )
    axis = np.geomspace(8.0, 400.0, 1500)
    print(f"\nfit_band_gains with {seats} seats, constant Q, {rooms} rooms")
    for seed in range(rooms):
        levels = room_levels_db(seed, seats, axis)
        measurements = tuple(
            Measurement(seat=f"seat {n}", response=FrequencyResponse.from_level(axis, 75.0 + row))
            for n, row in enumerate(levels)
        )
        survey = Survey(measurements=measurements, levels_comparable=True)
        options = {"equaliser": device}
        fit_band_gains(survey, leave_out=False, **options)
        _, without = timed(fit_band_gains, survey, leave_out=False, **options)
        _, whole = timed(fit_band_gains, survey, **options)
        print(
            f"  room {seed}  without {without:.2f} s  with {whole:.2f} s"
            f"  left out {whole - without:.2f} s"
        )


def main():
    parser = argparse.ArgumentParser(description="Benchmark of the band-gain search.")
    parser.add_argument("--rooms", type=int, default=168)
    parser.add_argument("--evolution", type=int, default=12)
    parser.add_argument("--fine", type=int, default=12)
    chosen = parser.parse_args()
    report_leaving_out()
    for name, law in QUALITY.items():
        device = equaliser(law)
        problems = [room_problem(seed, device) for seed in range(chosen.rooms)]
        solve_band_gains(problems[0])
        report_proof(name, problems, 1.0 if name == "constant Q" else 10.0)
        report_start(name, problems)
        if name != "Q following gain steeply":
            report_evolution(name, problems[: chosen.evolution])
    for name, law in QUALITY.items():
        device = equaliser(law, -24.0, 24.0, 0.1)
        problems = [room_problem(seed, device) for seed in range(chosen.fine)]
        report_proof(f"{name}, steps of 0.1 dB over 48 dB", problems, 10.0)


if __name__ == "__main__":
    main()
