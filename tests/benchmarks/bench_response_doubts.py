"""Phases of the other sign, smoothed levels and leaks, in rooms made by code: what is told.

Rooms of `bench_turned_files.py`; of each the first subwoofer, and mains in its place (a high-pass
for the low-pass). Files count one by one, with the time zero as it is and up to 60 ms late, as
where it was put on a peak; rooms are told as a whole. Then seats of `joining_cases.py`, and there
subwoofer and mains as they are, and either measured twice, once in place of the other. By hand.

    python tests/benchmarks/bench_response_doubts.py [rooms] [first seed]
"""

import math
import sys
from collections import Counter

import numpy as np
from bench_turned_files import AXIS, measured_room
from joining_cases import FREQUENCIES, KINDS, random_case
from rooms_apart import low_pass

from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement
from roomeq.importers.response_doubts import doubtful_responses, phase_runs_backwards
from roomeq.importers.survey_remarks import same_recordings


def smoothed(rows, octaves):
    """Return pressures whose levels are power means over a window in octaves; phases stay."""
    near = np.abs(np.subtract.outer(np.log2(AXIS), np.log2(AXIS))) <= octaves / 2 + 1e-9
    return np.sqrt((np.abs(rows) ** 2 @ near.T) / near.sum(axis=1)) * np.exp(1j * np.angle(rows))


def told(rows):
    """Return what is said of a room's files."""
    entries = [
        Measurement(seat=f"seat {n}", response=FrequencyResponse.from_pressure(AXIS, row))
        for n, row in enumerate(rows)
    ]
    found, taken = doubtful_responses(entries)
    return [*found, *taken]


def again(rows, rng):
    """Return another take: its own noise, 40 dB below the mean level as that of the first."""
    size = 0.01 * np.sqrt(np.mean(np.abs(rows) ** 2, axis=1, keepdims=True) / 2.0)
    return rows + size * (rng.standard_normal(rows.shape) + 1j * rng.standard_normal(rows.shape))


def alike(rows):
    """Return whether what was measured as subwoofer and as mains is said to be of one of them."""
    pair = zip(("sub", "mains"), rows, strict=True)
    entries = [
        Measurement(
            seat="seat", source=source, response=FrequencyResponse.from_pressure(FREQUENCIES, row)
        )
        for source, row in pair
    ]
    return len(list(same_recordings(entries)))


def main():
    rooms, first = (int(word) for word in [*sys.argv[1:], "200", "60000"][:2])
    count = Counter()
    for seed in range(first, first + rooms):
        rng = np.random.default_rng([seed, 99])
        sub = measured_room(seed)[0]
        mains = sub * np.conj(low_pass(80.0**2 / AXIS, "butterworth", 4, 80.0))
        mains /= np.maximum(np.abs(low_pass(AXIS, "butterworth", 4, 80.0)), 0.02)
        for kind, rows in (("sub", sub), ("mains", mains)):
            late = np.exp(2j * np.pi * AXIS * rng.uniform(0.0, 0.06, (len(rows), 1)))
            for zero, seen in (("", rows), (", zero late", rows * late)):
                for sign, files in (("right", seen), ("turned", seen.conj())):
                    for row in files:
                        response = FrequencyResponse.from_pressure(AXIS, row)
                        count[f"{kind}{zero}, {sign}: files"] += 1
                        count[f"{kind}{zero}, {sign}: told"] += phase_runs_backwards(response)
        level = np.median(np.abs(sub[:, AXIS < 125.0]), axis=1, keepdims=True)
        for below_db in (math.inf, 40.0, 30.0, 20.0):
            leak = level * 10 ** (-below_db / 20) * rng.choice([-1.0, 1.0])
            said = [one for row in sub + leak for one in told([row]) if "leaks" in one]
            count[f"leak {below_db:g} dB down: files"] += len(sub)
            count[f"leak {below_db:g} dB down: told"] += len(said)
        one = int(rng.integers(len(sub)))
        for words, octaves in (("clean", 0.0), ("1/6", 1 / 6), ("1/3", 1 / 3), ("1", 1.0)):
            some = sub.copy()
            some[one] = smoothed(sub[one : one + 1], octaves)[0]
            for extent, rows in (("all seats", smoothed(sub, octaves)), ("one seat", some)):
                count[f"smoothed {words}, {extent}: rooms"] += 1
                count[f"smoothed {words}, {extent}: told"] += "smooth" in "".join(told(rows))
        case = random_case(seed, KINDS[seed % len(KINDS)])
        for words, taken in (
            ("as they are", (case.noisy_sub, case.noisy_mains)),
            ("subwoofer twice", (case.noisy_sub, again(case.noisy_sub, rng))),
            ("mains twice", (again(case.noisy_mains, rng), case.noisy_mains)),
        ):
            for rows in zip(*taken, strict=True):
                count[f"subwoofer and mains, {words}: seats"] += 1
                count[f"subwoofer and mains, {words}: told"] += alike(rows)
    for words, number in count.items():
        print(f"{words:40s}{number:8d}")


if __name__ == "__main__":
    main()
