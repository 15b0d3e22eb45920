"""How often the engaged low-passes are named rightly, and how often not at all; run by hand.

Run as ``python tests/benchmarks/bench_path_identification.py [CASES] [SPACING] [SEED]``. Figures to
reach: the right equivalence class in 95 % of the cases that are answered; "cannot tell" in at most
30 % at 40 dB and 60 % at 20 dB of signal-to-noise ratio.

Each case draws family, order, count (once or twice), corner (40 to 150 Hz), driver (closed box, Q
0.5 to 1.1, or vented box, 20 to 45 Hz), delay and polarity. Noise is complex Gaussian, the same
at every frequency, so many dB below the largest level; each point of the response, SPACING Hz
apart (0.5 Hz by default: a record of 2 s), has its own. The estimator is not told how much. The
responses are built from scipy.signal's prototypes, not from roomeq's. What the estimator asks for
before it answers was chosen on seeds 1001 to 1003; report others.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import scipy.signal

from roomeq.base.response import FrequencyResponse
from roomeq.optimiser.path.estimate import PathVerdict
from roomeq.optimiser.path.estimation import estimate_path

FAMILIES = [("butterworth", order) for order in range(1, 9)]
FAMILIES += [("linkwitz_riley", order) for order in (2, 4, 6, 8)]


def key_of(family, order, count):
    """Return order and copies of the Butterworth filters that this is."""
    return (order, count) if family == "butterworth" else (order // 2, 2 * count)


def prototype(order, frequencies, *, corner, kind="low"):
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, kind, analog=True)
    return scipy.signal.freqs(b, a, worN=2 * np.pi * frequencies)[1]


def high_pass(frequencies, corner, q):
    w = 2 * np.pi * corner
    return scipy.signal.freqs([1, 0, 0], [1, w / q, w * w], worN=2 * np.pi * frequencies)[1]


def driver(rng, frequencies, *, vented):
    """Return the roll-off of a closed or vented box with invented parameters."""
    corner = rng.uniform(20.0, 45.0)
    if not vented:
        return high_pass(frequencies, corner, rng.uniform(0.5, 1.1))
    first, second = rng.uniform(0.9, 1.1, 2)
    return high_pass(frequencies, corner * first, 0.54 * rng.uniform(0.9, 1.2)) * high_pass(
        frequencies, corner * second, 1.31 * rng.uniform(0.8, 1.1)
    )


def synthetic(rng, *, family, order, count, corner, vented, snr_db, phase, spacing):
    """Return a response of a path whose low-pass is known."""
    axis = np.arange(10.0, 500.0 + spacing / 2, spacing)
    single, copies = key_of(family, order, count)
    clean = prototype(single, axis, corner=corner) ** copies * driver(rng, axis, vented=vented)
    clean /= np.abs(clean).max()
    noise = rng.standard_normal(axis.size) + 1j * rng.standard_normal(axis.size)
    seen = clean + 10 ** (-snr_db / 20) / np.sqrt(2) * noise
    seen *= rng.choice([-1.0, 1.0]) * np.exp(-2j * np.pi * axis * rng.uniform(0.0, 0.02))
    if phase:
        return FrequencyResponse.from_pressure(axis, seen)
    return FrequencyResponse.from_level(axis, 20 * np.log10(np.abs(seen)))


def key_found(candidate):
    low_pass = candidate.low_pass
    return None if low_pass is None else (low_pass.butterworth_order, low_pass.copies)


def run(rng, *, cases, snr_db, phase, spacing):
    """Return answered, right among them, truth among the candidates, corner errors, seconds."""
    answered = right = listed = 0
    errors = []
    begin = time.perf_counter()
    for case in range(cases):
        family, order = FAMILIES[rng.integers(len(FAMILIES))]
        count, corner = int(rng.integers(1, 3)), float(rng.uniform(40.0, 150.0))
        response = synthetic(
            rng,
            family=family,
            order=order,
            count=count,
            corner=corner,
            vented=case % 2 == 1,
            snr_db=snr_db,
            phase=phase,
            spacing=spacing,
        )
        found = estimate_path(response)
        truth = key_of(family, order, count)
        listed += truth in [key_found(candidate) for candidate in found.candidates]
        if found.verdict is PathVerdict.IDENTIFIED:
            answered += 1
            right += key_found(found.best) == truth
            errors.append(abs(found.best.corner / corner - 1.0))
    return answered, right, listed, errors, (time.perf_counter() - begin) / cases


def main():
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    spacing = float(sys.argv[2]) if len(sys.argv) > 2 else 0.5
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 20
    print(f"{cases} cases each, points {spacing:g} Hz apart, seed {seed}")
    print(
        f"{'SNR':>5} {'known':16}{'cannot tell':>12}{'at most':>9}{'right':>8}{'at least':>10}"
        f"{'truth listed':>14}{'corner off by (median, 90 %)':>30}{'ms each':>9}"
    )
    for snr_db, allowed in ((40, 30), (20, 60)):
        totals = [0, 0, 0]
        for phase in (True, False):
            rng = np.random.default_rng(seed)
            *counts, errors, seconds = run(
                rng, cases=cases, snr_db=snr_db, phase=phase, spacing=spacing
            )
            totals = [total + count for total, count in zip(totals, counts, strict=True)]
            middle, most = 100 * np.quantile(errors or [np.nan], [0.5, 0.9])
            row(snr_db, "level and phase" if phase else "level", counts, cases, allowed)
            print(f"{f'{middle:.1f} %, {most:.1f} %':>30}{1e3 * seconds:>9.0f}", flush=True)
        row(snr_db, "together", totals, 2 * cases, allowed)
        print()


def row(snr_db, name, counts, cases, allowed):
    answered, right, listed = counts
    print(
        f"{snr_db:>5} {name:16}{100 * (1 - answered / cases):>11.1f}%{allowed:>8}%"
        f"{100 * right / max(answered, 1):>7.1f}%{95:>9}%{100 * listed / cases:>13.1f}%",
        end="",
    )


if __name__ == "__main__":
    main()
