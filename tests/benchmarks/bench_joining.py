"""Joining in random rooms: what the sum loses, deviation, polarity told, times. Run by hand.

Figures to reach, over 60 rooms of three kinds: gap to the least admissible loss before the bands,
on noise-free data, at most 0.3 dB in 58 of 60 and 0.6 dB in all; a scan of 6 seats, 401 delays and
both polarities at most 0.1 s, the whole `join` at most 0.5 s. Beside them loss and deviation after
the bands at the seats, at seats that were left out and 0.3 m beside the seats, as found, by the
rule of least deviation (kept here only), and as proposed; and how often the polarity is told right.

Rooms come from `joining_cases`; losses, deviations and the bands' responses are computed here, by
code that shares nothing with the library.

Run it as ``python tests/benchmarks/bench_joining.py [rooms of a kind] [first seed]``.
"""

import sys
import time

import numpy as np
from joining_cases import FREQUENCIES, KINDS, butterworth, random_case

from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.device.crossover import CrossoverFilter, MainsBox
from roomeq.device.driver import ClosedBox
from roomeq.device.processor import JoiningSettings
from roomeq.importers.device_profile import read_device
from roomeq.jobs.join import join
from roomeq.jobs.joining.solution import solve_joining
from roomeq.optimiser.bands.gains import fit_band_gains
from roomeq.room.equipment import Equipment
from roomeq.room.room import JoiningSetup, PresentSettings, Room
from roomeq.wanted.limits import Limits
from roomeq.wanted.loss import Loss
from roomeq.wanted.target import Target

CENTRES = (20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0)
PLACES = ("seats", "left out", "beside")
DEVICE = read_device("nine_band")


def room_of(case, *, boxes):
    """Return the room as its calibrator describes it; `boxes` is whether both are declared."""
    low = {"kind": "low_pass", "family": "linkwitz_riley", "order": 4, "corner": case.corner}
    path = [CrossoverFilter(**low, where="processor")]
    if case.kind == "doubled_low_pass":
        path.append(CrossoverFilter(**low, where="amplifier"))
    family, order = ("butterworth", 2) if case.kind == "closed_mains" else ("linkwitz_riley", 4)
    high = CrossoverFilter(
        kind="high_pass", family=family, order=order, corner=case.corner, where="processor"
    )
    measurements = tuple(
        Measurement(
            seat=f"seat {index + 1}",
            source=source,
            route="bass_managed_main",
            response=FrequencyResponse.from_pressure(FREQUENCIES, row),
        )
        for source, rows in (("sub", case.noisy_sub), ("mains", case.noisy_mains))
        for index, row in enumerate(rows)
    )
    mains = MainsBox(kind="closed", corner=case.mains_corner)
    known = boxes or case.kind == "closed_mains"  # there the box is half of the crossover
    return Room(
        name="random",
        survey=Survey(measurements=measurements, levels_comparable=True),
        source="sub",
        device=DEVICE,
        present=PresentSettings(gains_db=np.zeros(9), level_db=None),
        target=Target(
            lower_limit=case.box_corner * 3.0**-0.25, lower_limit_order=2, path=tuple(path)
        ),
        limits=Limits(),
        loss=Loss(),
        path=tuple(path),
        corner=case.corner,
        corner_origin="path",
        repeatability_db=None,
        record={},
        inputs=(),
        assumptions=(),
        notes=(),
        findings=(),
        equipment=Equipment(box=ClosedBox(resonance=case.box_corner, q=0.7071) if boxes else None),
        joining=JoiningSetup(
            common_time_reference=True, mains_path=(high,), mains=mains if known else None
        ),
    )


def peaking(centre, gain_db, q=4.318, rate=48000.0):
    """Return a peaking filter by the audio equaliser cookbook (R. Bristow-Johnson)."""
    amplitude, omega = 10 ** (gain_db / 40.0), 2 * np.pi * centre / rate
    alpha = np.sin(omega) / (2 * q)
    z = np.exp(-2j * np.pi * FREQUENCIES / rate)
    top = 1 + alpha * amplitude - 2 * np.cos(omega) * z + (1 - alpha * amplitude) * z**2
    bottom = 1 + alpha / amplitude - 2 * np.cos(omega) * z + (1 - alpha / amplitude) * z**2
    return top / bottom


def sub_change(case, settings, gains_db, *, bypass):
    """Return what settings and bands change in the subwoofer."""
    change = np.exp(-2j * np.pi * FREQUENCIES * settings.delay)
    change = change * (-1.0 if settings.inverted else 1.0) * 10 ** (settings.level_change_db / 20)
    for centre, gain in zip(CENTRES, gains_db, strict=True):
        change = change * peaking(1000 * 10 ** (0.1 * round(10 * np.log10(centre / 1000))), gain)
    if bypass and case.kind == "doubled_low_pass":
        change = change / butterworth("low", 2, case.corner) ** 2
    return change


def at(axis, rows):
    """Interpolate complex rows in magnitude and unwrapped phase."""
    return np.array(
        [
            np.interp(axis, FREQUENCIES, np.abs(row))
            * np.exp(1j * np.interp(axis, FREQUENCIES, np.unwrap(np.angle(row))))
            for row in rows
        ]
    )


def losses_db(sub, mains, corner, delays, signs=(1, -1)):
    """Return the loss by polarity, delay and place, without noise."""
    axis = corner * 2.0 ** (np.arange(-24, 25) / 48.0)
    sub, mains = at(axis, sub), at(axis, mains)
    both = np.abs(sub) + np.abs(mains)
    turn = np.exp(-2j * np.pi * np.outer(delays, axis))[:, None]
    return np.array(
        [np.mean(20 * np.log10(both / np.abs(q * turn * sub + mains)), axis=-1) for q in signs]
    )


def deviation_db(sub, mains, corner):
    """Return the standard deviation of the power average, 1/6 octave, and the mean over places."""
    edges = np.geomspace(25.0, 2.0 * corner, 96)
    levels = []
    for row in np.abs(sub + mains) ** 2:
        total = np.concatenate([[0.0], np.cumsum(row)])
        low, high = np.searchsorted(FREQUENCIES, [edges * 2 ** (-1 / 12), edges * 2 ** (1 / 12)])
        levels.append((total[high] - total[low]) / (high - low))
    average = np.std(10 * np.log10(np.mean(levels, axis=0)))
    return float(average), float(np.mean(np.std(10 * np.log10(levels), axis=1)))


def least_deviation(case):
    """Choose by the old rule: least deviation over two octaves, a flip only for 1 dB."""
    axis = case.corner * 2.0 ** (np.arange(-24, 25) / 24.0)
    axis = axis[axis < FREQUENCIES[-1]]
    best = {}
    for bypass in (False, True) if case.kind == "doubled_low_pass" else (False,):
        out = sub_change(case, JoiningSettings(), np.zeros(9), bypass=bypass)
        sub, mains = at(axis, case.noisy_sub * out), at(axis, case.noisy_mains)
        delays, levels = np.arange(-200, 201) * 1e-4, np.arange(-6.0, 6.01, 0.5)
        for q in (1, -1):
            values = np.empty((delays.size, levels.size))
            for i, delay in enumerate(delays):
                turned = q * np.exp(-2j * np.pi * axis * delay) * sub
                gained = 10 ** (levels / 20)[:, None, None] * turned + mains
                error = 20 * np.log10(np.abs(gained))
                error -= error.mean(axis=(1, 2), keepdims=True)
                squared = 2 * np.maximum(error, 0) ** 2 + np.maximum(-error, 0) ** 2
                values[i] = np.sqrt(squared.mean(axis=(1, 2)))
            tied = np.argwhere(values <= values.min() + 0.1)
            i, j = min(tied, key=lambda p: (abs(delays[p[0]]), values[tuple(p)]))
            best[bypass, q] = values.min(), delays[i], levels[j], values[200, 12]
    kept = best[False, 1][3]
    flipped = {b: best[b, -1][0] <= best[b, 1][0] - 1.0 for b, _ in best}
    bypass = min({b for b, _ in best}, key=lambda b: best[b, -1 if flipped[b] else 1][0])
    value, delay, level, _ = best[bypass, -1 if flipped[bypass] else 1]
    if kept - value < 0.5:
        return JoiningSettings(), False
    inverted = bool(flipped[bypass])
    return JoiningSettings(delay=delay, inverted=inverted, level_change_db=level), bypass


def judged(case, settings, gains_db, *, bypass):
    """Return loss and deviation of the average and of each, at every kind of place."""
    change = sub_change(case, settings, gains_db, bypass=bypass)
    row = {}
    for place in PLACES:
        sub, mains = case.sub[place] * change, case.mains[place]
        loss = losses_db(sub, mains, case.corner, np.zeros(1), signs=(1,))[0, 0]
        row[place] = (float(loss.mean()), float(loss.max()), *deviation_db(sub, mains, case.corner))
    return row


def one_room(seed, kind):
    case = random_case(seed, kind)
    room = room_of(case, boxes=False)
    started = time.perf_counter()
    join(room)
    seconds = time.perf_counter() - started
    found = solve_joining(room)
    chosen = found.alignment.chosen.settings
    out = sub_change(case, JoiningSettings(), np.zeros(9), bypass=True)
    sub, mains = case.sub["seats"] * out, case.mains["seats"]
    near = np.arange(-200, 201) * 1e-4
    near = near[np.abs(near) <= 1 / case.corner + 1e-9]
    least = losses_db(sub, mains, case.corner, near).mean(axis=-1).min()
    here = losses_db(sub, mains, case.corner, np.array([chosen.delay]))
    told = {}
    for boxes in (False, True):
        test = solve_joining(room_of(case, boxes=boxes)).polarity
        told[boxes] = None if test.inverted is None else test.inverted == case.inverted
    old, old_bypass = least_deviation(case)
    alone = fit_band_gains(
        room.survey,
        equaliser=DEVICE.equaliser,
        target=room.target,
        corner=case.corner,
        prove=False,
        leave_out=False,
    )
    return {
        "gap": float(here[int(chosen.inverted)].mean() - least),
        "either": found.alignment.either_polarity,
        "told": told,
        "seconds": seconds,
        "as found": judged(case, JoiningSettings(), np.zeros(9), bypass=False),
        "least deviation": judged(case, old, alone.gains_db, bypass=old_bypass),
        "aligned": judged(case, chosen, np.zeros(9), bypass=True),
        "proposed": judged(case, found.settings, found.gains_db, bypass=True),
    }


def report(rows, title):
    gaps = np.array([row["gap"] for row in rows])
    print(f"{title}: {len(rows)} rooms")
    print(
        f"  gap to the least admissible loss: mean {gaps.mean():.3f} dB, worst {gaps.max():.3f}; "
        f"at most 0.3 dB in {(gaps <= 0.3).sum()}, at most 0.6 dB in {(gaps <= 0.6).sum()}"
    )
    for boxes in (False, True):
        told = [row["told"][boxes] for row in rows]
        counts = [sum(t is kind for t in told) for kind in (True, False, None)]
        print(
            f"  polarity, boxes {'declared' if boxes else 'not declared'}: right {counts[0]}, "
            f"wrong {counts[1]}, untold {counts[2]}"
        )
    print(f"  both polarities tied in {sum(row['either'] for row in rows)}")
    print("  loss, worst place, deviation of the average, mean of each place's own, dB:")
    for what in ("as found", "least deviation", "aligned", "proposed"):
        cells = []
        for place in PLACES:
            figures = np.mean([row[what][place] for row in rows], axis=0)
            cells.append(f"{place} " + " ".join(f"{value:5.2f}" for value in figures))
        print(f"    {what:16s} {'; '.join(cells)}")
    now = np.array([[row["as found"][p][0] for p in PLACES] for row in rows])
    then = np.array([[row["proposed"][p][0] for p in PLACES] for row in rows])
    worse = (then - now > 0.3).mean(axis=0)
    shares = ", ".join(f"{p} {100 * w:.0f} %" for p, w in zip(PLACES, worse, strict=True))
    print(f"  loses over 0.3 dB more than as found: {shares}")


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 5000
    every = []
    for kind in KINDS:
        rows = [one_room(seed, kind) for seed in range(first, first + count)]
        report(rows, kind.replace("_", " "))
        every += rows
    report(every, "all")
    seconds = np.array([row["seconds"] for row in every])
    print(f"join: median {np.median(seconds):.2f} s, longest {seconds.max():.2f} s")


if __name__ == "__main__":
    main()
