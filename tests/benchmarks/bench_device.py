"""How well a device is told from its responses, on devices made apart.

    python tests/benchmarks/bench_device.py [DEVICES] [SEED]

Devices, microphone and noise are `devices_apart.py`, which shares no code with the library. Clean
devices: how often each value is told, and how often a told value misses its goal (centre 1 %, Q
5 %, gain 0.1 dB). Faulty responses: how often any value of theirs is told nevertheless, and beyond
twice the goal. FIGURES
"""

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
from devices_apart import FAULTS, Device, measured

from roomeq.jobs.device import measure_device

GOALS = {"centre": 0.01, "q": 0.05, "gain": 0.1}


def misses(row, device: Device) -> dict[str, float]:
    """Return how far what was told is off, in goals."""
    real, q = device.setting(row.label, row.setting_db)
    off = {
        "centre": row.centre / device.centres[row.label] - 1.0,
        "q": row.q / q - 1.0,
        "gain": row.gain_db - real,
    }
    return {name: abs(off[name]) / GOALS[name] for name in row.told}


def clean(devices: int, seed: int, folder: Path, snr_db: float) -> None:
    told, missed, worst, alarms, laws = Counter(), Counter(), Counter(), 0, Counter()
    count = files = 0
    for number in range(devices):
        rng = np.random.default_rng([seed, number])
        device = Device.drawn(rng)
        flat, moved = measured(device, folder, rng, snr_db=snr_db)
        found = measure_device(flat, moved)
        files, alarms = files + len(moved), alarms + len(found.misfits) + len(found.offsets_db)
        for row in found.rows:
            count += 1
            for name, off in misses(row, device).items():
                told[name] += 1
                missed[name] += off > 1.0
                worst[name] = max(worst[name], off)
        for law in found.laws.values():
            laws[device.follows > 0, law] += 1
    print(
        f"{devices} devices, {count} settings, {snr_db:g} dB: {alarms} of {files} responses accused"
    )
    for name in GOALS:
        print(
            f"  {name:6}: told {100 * told[name] / count:.1f} %, of these beyond the goal "
            f"{100 * missed[name] / max(told[name], 1):.2f} %, at most {worst[name]:.2f} times"
        )
    for follows, said in sorted(laws):
        print(f"  Q {'follows' if follows else 'constant'}: said {said} {laws[follows, said]}")


def faulty(devices: int, seed: int, folder: Path) -> None:
    for fault in FAULTS:
        silent = wrong = count = 0
        for number in range(devices):
            rng = np.random.default_rng([seed, number, 7])
            device = Device.drawn(rng)
            flat, moved = measured(device, folder, rng, snr_db=40.0, fault=fault)
            rows = measure_device(flat, moved).rows
            hurt = device.labels[0]
            for row in rows:
                if row.label == hurt and row.setting_db == device.settings[0]:
                    count += 1
                    silent += bool(row.told)
                    wrong += any(off > 2.0 for off in misses(row, device).values())
        print(
            f"{fault}: of {count} settings {100 * silent / count:.0f} % told, "
            f"{100 * wrong / count:.1f} % beyond twice the goal"
        )


def main() -> None:
    devices = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 900
    with tempfile.TemporaryDirectory() as name:
        for snr_db in (60.0, 40.0, 30.0):
            clean(devices, seed, Path(name), snr_db)
        faulty(devices // 2, seed, Path(name))


if __name__ == "__main__":
    main()
