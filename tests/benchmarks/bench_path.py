"""What is said of filters in the path against invented subwoofers whose filters are known; by hand.

Run as ``python tests/benchmarks/bench_path.py [CASES] [SEED] [close|seat]``. The instruments share
no code with the library: filters and boxes are scipy.signal's, ripple is that of late reflections,
seats stand among the modes of an invented room.

Close to the cone a case draws a box of order 2 to 4, a coil's or an amplifier's fall at the top and
a microphone's or a coupling's at the bottom (both at times), low-passes (none; Butterworth of 6 to
24 or 48 dB per octave; Linkwitz-Riley of 12, 24 or 48; the same twice; two corners), a protective
high-pass (none in two of three), ripple, noise (flat or rising downwards), the end of the data (120
to 500 Hz), their axis, phase or none, and at times smoothing. A third of the rooms describes the
path truly, a third wrongly (a filter that is not there, one that is there left out, another order
or corner), a third not at all.
"""

from __future__ import annotations

import sys
import time
from collections import Counter

import numpy as np
import scipy.signal
import scipy.stats

from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter
from roomeq.optimiser.path.estimation import estimate_path

KINDS = [("butterworth", n) for n in (1, 2, 3, 4, 8)]
KINDS += [("linkwitz_riley", n) for n in (2, 4, 8)]
CHANCE = [0.08, 0.2, 0.06, 0.14, 0.06, 0.1, 0.28, 0.08]


def butter(order, axis, corner, kind="low"):
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, kind, analog=True)
    return scipy.signal.freqs(b, a, worN=2 * np.pi * axis)[1]


def single(kind, axis, corner):
    family, order = kind
    if family == "butterworth":
        return butter(order, axis, corner)
    return butter(order // 2, axis, corner) ** 2


def resonance(axis, corner, q):
    w = 2 * np.pi * corner
    return scipy.signal.freqs([1, 0, 0], [1, w / q, w * w], worN=2 * np.pi * axis)[1]


def box(rng, axis):
    """Return a roll-off of order 2 (closed), 3 (with a series capacitor) or 4 (vented)."""
    corner, order = rng.uniform(18.0, 48.0), rng.choice([2, 3, 4], p=[0.5, 0.1, 0.4])
    if order == 4:
        first, second = rng.uniform(0.85, 1.15, 2) * corner
        return resonance(axis, first, rng.uniform(0.45, 0.65)) * resonance(
            axis, second, rng.uniform(0.9, 1.5)
        )
    closed = resonance(axis, corner, rng.uniform(0.45, 1.2))
    return (
        closed if order == 2 else closed * butter(1, axis, corner * rng.uniform(0.6, 1.2), "high")
    )


def unstated(rng, axis):
    """Return what nobody states: coil, amplifier and coupling; microphone or leak."""
    value = np.ones(axis.size, dtype=complex)
    if rng.uniform() < 0.5:
        value *= butter(1, axis, np.exp(rng.uniform(np.log(200.0), np.log(1500.0))))
    if rng.uniform() < 0.25:  # a coil with eddy currents: half a pole
        corner = rng.uniform(150.0, 600.0)
        value *= 1.0 / np.sqrt(1.0 + 1j * axis / corner)
    if rng.uniform() < 0.5:
        value *= butter(int(rng.integers(1, 3)), axis, rng.uniform(1.5, 9.0), "high")
    return value


def drawn_low_passes(rng):
    """Return kinds with corners: none, one, the same twice, or two."""
    pick = rng.uniform()
    corner = float(np.exp(rng.uniform(np.log(40.0), np.log(160.0))))
    kind = KINDS[rng.choice(len(KINDS), p=CHANCE)]
    if pick < 0.15:
        return []
    if pick < 0.65:
        return [(kind, corner)]
    if pick < 0.87:
        return [(kind, corner)] * 2
    other = KINDS[rng.choice(len(KINDS), p=CHANCE)]
    return [(kind, corner), (other, corner * rng.uniform(1.25, 2.5))]


def axis_of(rng):
    highest = float(rng.choice([120.0, 160.0, 200.0, 300.0, 500.0]))
    lowest = float(rng.choice([5.0, 10.0, 15.0]))
    if rng.uniform() < 0.7:
        return np.arange(lowest, highest + 0.1, float(rng.choice([0.5, 1.0])))
    return np.geomspace(lowest, highest, int(np.log2(highest / lowest) * rng.choice([48, 96])) + 1)


def measured(rng, clean, axis, *, snr_db):
    """Return a response with noise, late reflections, delay, polarity, perhaps smoothed."""
    strength = 10 ** (rng.uniform(-36.0, -20.0) / 20)
    late = sum(
        rng.choice([-1, 1]) * rng.uniform(0.3, 1.0) * np.exp(-2j * np.pi * axis * t)
        for t in rng.uniform(0.003, 0.04, 5)
    )
    clean = clean * (1.0 + strength * late)
    noise = rng.standard_normal(axis.size) + 1j * rng.standard_normal(axis.size)
    noise *= 10 ** (-snr_db / 20) / np.sqrt(2) * np.abs(clean).max()
    noise *= (axis / 60.0) ** -rng.choice([0.0, 0.25, 0.5])
    seen = (
        (clean + noise)
        * rng.choice([-1.0, 1.0])
        * np.exp(-2j * np.pi * axis * rng.uniform(0.0, 0.02))
    )
    how = rng.uniform()
    if how < 0.45:
        return FrequencyResponse.from_pressure(axis, seen)
    power = np.abs(seen) ** 2
    if how > 0.85:  # smoothed before it was exported
        per = float(rng.choice([12, 24, 48]))
        power = np.array([power[np.abs(np.log2(axis / f)) <= 0.5 / per].mean() for f in axis])
    return FrequencyResponse.from_level(axis, 10 * np.log10(power) + 80.0)


def stated(kinds, where=("processor", "amplifier")):
    return tuple(
        CrossoverFilter(kind="low_pass", family=k[0], order=k[1], corner=round(c, 1), where=w)
        for (k, c), w in zip(kinds, where, strict=False)
    )


def wrong_description(rng, truth):
    """Return another description: left out, added, another slope or corner."""
    for _ in range(50):
        pick = rng.integers(3)
        found = list(truth)
        if pick == 0 and truth:
            found.pop()
        elif pick == 1 and len(truth) < 2:
            found.append((("linkwitz_riley", 4), float(rng.choice([40.0, 60.0, 80.0, 100.0]))))
        elif pick == 2 and len(truth) == 1:
            kind, corner = truth[0]
            found = [(kind, corner * float(rng.choice([0.6, 0.7, 1.4, 1.7])))]
        if found != list(truth):
            return found
    return [(("linkwitz_riley", 4), 80.0)] if not truth else []


def pieces(kinds):
    """Return the Butterworth filters that low-passes are, as (order, corner), sorted."""
    return sorted(
        (n if family == "butterworth" else n // 2, corner)
        for (family, n), corner in kinds
        for _ in range(1 if family == "butterworth" else 2)
    )


def shown(truth, clean, axis, floor, *, least_db, edge):
    """Return the low-passes below the edge whose loss would change the level that is seen."""
    whole = 10 * np.log10(np.abs(clean) ** 2 + floor)
    kept = []
    for kind, corner in truth:
        if corner > axis[-1] / edge:
            continue
        without = clean / single(kind, axis, corner)
        change = np.abs(10 * np.log10(np.abs(without) ** 2 + floor) - whole).max()
        if change >= least_db:
            kept.append((kind, corner))
    return kept


def truths(truth, clean, axis, snr_db):
    """Return what of the truth can be seen, by a generous and by a strict view."""
    floor = 10 ** (-snr_db / 10) * np.abs(clean).max() ** 2
    return [
        shown(truth, clean, axis, floor, least_db=least_db, edge=2.0**edge)
        for least_db, edge in ((0.5, 0.3), (1.0, 0.4), (2.0, 0.5))
    ]


def change_db(truth, said, clean, axis, snr_db):
    """Return by how much the stated filters make another shape than the true ones, as it is seen.

    The largest less the smallest difference below 2/3 of the end of the data.
    """
    if said is None:
        return 0.0
    stated = clean
    for kind, corner in truth:
        stated = stated / single(kind, axis, corner)
    for kind, corner in said:
        stated = stated * single(kind, axis, corner)
    floor = 10 ** (-snr_db / 10) * np.abs(clean).max() ** 2
    ratio = (np.abs(stated) ** 2 + floor) / (np.abs(clean) ** 2 + floor)
    inside = (axis <= axis[-1] / 1.5) & (np.abs(clean) > 0.03 * np.abs(clean).max())
    return float(np.ptp(10 * np.log10(ratio[inside])))


def is_right(filters, truth, within=0.1):
    """Return whether these are the same response: orders as they are, corners within a tenth."""
    found = pieces([((one.family, one.order), one.corner) for one in filters])
    wanted = pieces(truth)
    return len(found) == len(wanted) and all(
        a[0] == b[0] and abs(a[1] / b[1] - 1) <= within for a, b in zip(found, wanted, strict=True)
    )


def high_right(found, truth):
    """Return whether a high-pass is the true one: its Butterworth order, its corner within 15 %."""
    if found is None or truth is None:
        return found is None and truth is None
    kind, corner = found.family == "butterworth" and found.order, found.corner
    return kind == truth[0] and abs(corner / truth[1] - 1) < 0.15


def close_case(rng):
    axis = axis_of(rng)
    truth = drawn_low_passes(rng)
    alone = box(rng, axis)
    clean, limit = alone * unstated(rng, axis), limit_of(rng, axis, alone)
    for kind, corner in truth:
        clean = clean * single(kind, axis, corner)
    high = None
    if rng.uniform() < 0.35:
        high = (int(rng.choice([2, 4])), float(rng.uniform(14.0, 32.0)))
        clean = clean * butter(high[0], axis, high[1], "high")
    snr_db = rng.uniform(25.0, 55.0)
    response = measured(rng, clean, axis, snr_db=snr_db)
    views = truths(truth, clean, axis, snr_db)
    how = ("true", "wrong", "none")[rng.integers(3)]
    said = {"true": truth, "none": None}.get(how, wrong_description(rng, truth))
    change = change_db(truth, said, clean, axis, snr_db)
    said_high = [None, high, (int(rng.choice([2, 4])), float(rng.uniform(16.0, 30.0)))]
    said_high = said_high[rng.integers(3)]
    return (
        response,
        truth,
        views,
        how,
        said,
        {"high": high, "said_high": said_high, "change_db": change, "limit": limit},
    )


def seat_case(rng):
    """Return the levels of one to six seats in a rigid-walled room with some absorption."""
    axis = np.geomspace(12.0, float(rng.choice([160.0, 200.0, 300.0])), 220)
    truth = drawn_low_passes(rng)
    size = np.array([rng.uniform(4.0, 7.5), rng.uniform(3.0, 5.5), rng.uniform(2.3, 3.0)])
    source = rng.uniform(0.1, 0.4, 3) * np.array([1.0, 1.0, 0.3]) * size
    seats = rng.uniform(0.25, 0.9, (int(rng.integers(1, 7)), 3)) * size * [1, 1, 0.5]
    number = np.stack(np.meshgrid(*(range(10),) * 3, indexing="ij"), -1).reshape(-1, 3)
    own = 343.0 / 2 * np.sqrt(((number / size) ** 2).sum(axis=1))
    number, own = number[own < 420.0], own[own < 420.0]
    shape = np.prod(np.cos(np.pi * number * seats[:, None] / size), axis=-1)
    drive = np.prod(np.cos(np.pi * number * source / size), axis=-1)
    decay = 6.9 / rng.uniform(0.25, 0.7)
    weight = np.prod(np.where(number > 0, 2.0, 1.0), axis=-1)
    w, wn = 2 * np.pi * axis[:, None], 2 * np.pi * own
    pressure = (shape[:, None] * (weight * drive / (wn**2 - w**2 + 2j * w * decay))).sum(axis=-1)
    alone = box(rng, axis)
    clean, limit = alone * unstated(rng, axis), limit_of(rng, axis, alone)
    for kind, corner in truth:
        clean = clean * single(kind, axis, corner)
    pressure = pressure * clean  # of a source of known volume acceleration
    level = 20 * np.log10(np.abs(pressure))
    snr_db = rng.uniform(40.0, 60.0)
    floor = 10 ** ((level.max() - snr_db) / 10)
    views = truths(truth, clean, axis, snr_db)
    level = 10 * np.log10(10 ** (level / 10) + floor * rng.exponential(1.0, level.shape))
    how = ("true", "wrong", "none")[rng.integers(3)]
    said = {"true": truth, "none": None}.get(how, wrong_description(rng, truth))
    change = change_db(truth, said, clean, axis, snr_db)
    given = FrequencyResponse.from_level(axis, level)
    return (
        given,
        truth,
        views,
        how,
        said,
        {"high": None, "said_high": None, "change_db": change, "limit": limit},
    )


def limit_of(rng, axis, alone):
    """Return where a box is 6 dB down, stated within 10 %; None where it is not known."""
    level = 20 * np.log10(np.abs(alone) / np.abs(alone).max())
    found = axis[int(np.argmax(level > -6.0))] * rng.uniform(0.9, 1.1)
    return float(found) if rng.uniform() < 0.5 else None


def ask(response, said, taken, limit=None, high=None):
    given = {} if said is None else {"described": stated(said)}
    if high:
        given["protection"] = CrossoverFilter(
            kind="high_pass", family="butterworth", order=high[0], corner=high[1]
        )
    return estimate_path(response, taken=taken, lower_limit=limit, **given)


def hosmer_lemeshow(probability, right, groups=8):
    """Return observed and expected counts by groups of stated probability, and the p value."""
    order = np.argsort(probability)
    rows, statistic, used = [], 0.0, 0
    for part in np.array_split(order, groups):
        if not part.size:
            continue
        n, expected, seen = part.size, probability[part].sum(), right[part].sum()
        rows.append((n, expected / n, seen / n))
        spread = max((probability[part] * (1 - probability[part])).sum(), 0.25)
        statistic += (seen - expected) ** 2 / spread
        used += 1
    return rows, float(scipy.stats.chi2.sf(statistic, max(used, 1)))


def run(cases, seed, taken):
    rng = np.random.default_rng(seed)
    rows, begin = [], 0.0
    for number in range(cases):
        response, truth, views, how, said, more = (close_case if taken == "close" else seat_case)(
            rng
        )
        start = time.perf_counter()
        found = ask(response, said, taken, more["limit"], more["said_high"])
        begin += time.perf_counter() - start
        rows.append(
            {
                "number": number,
                "p": found.best.probability,
                "right": any(is_right(found.best.filters, view) for view in views),
                "named": str(found.verdict) == "identified",
                "how": how,
                "as_described": found.as_described,
                "truth": truth,
                "found": found.best.filters,
                "said": said,
                **more,
                "found_high": getattr(found, "high_pass", None),
                "first": float(response.frequencies[0]),
                "end": float(response.frequencies[-1]),
            }
        )
    return rows, begin / cases


def report(rows, seconds, *, detail):
    p = np.array([row["p"] for row in rows])
    right = np.array([row["right"] for row in rows], dtype=float)
    print(f"{len(rows)} cases, {1e3 * seconds:.0f} ms each")
    for name, chosen in (
        ("all", np.ones(p.size, bool)),
        ("not described", np.array([row["how"] == "none" for row in rows])),
        ("described truly", np.array([row["how"] == "true" for row in rows])),
        ("described wrongly", np.array([row["how"] == "wrong" for row in rows])),
    ):
        if not chosen.any():
            continue
        groups, value = hosmer_lemeshow(p[chosen], right[chosen])
        named = np.array([row["named"] for row in rows]) & chosen
        wrong = int((named & (right == 0)).sum())
        test = scipy.stats.binomtest(int(right[named].sum()), max(int(named.sum()), 1))
        low, high = test.proportion_ci()
        print(
            f"{name:18} named {int(named.sum())} of {int(chosen.sum())}, wrong {wrong}; stated "
            f"{100 * p[named].mean() if named.any() else 0:.1f} %, right "
            f"{100 * right[named].mean() if named.any() else 0:.1f} % ({100 * low:.0f} to "
            f"{100 * high:.0f}); all best: stated {100 * p[chosen].mean():.1f}, right "
            f"{100 * right[chosen].mean():.1f}; Hosmer-Lemeshow p {value:.3f}"
        )
        print("    " + "  ".join(f"{100 * a:.0f}:{100 * b:.0f}({n})" for n, a, b in groups))
    for how, least, most in (
        ("true", -1, 1),
        ("wrong", 0, 3),
        ("wrong", 3, 10),
        ("wrong", 10, 999),
    ):
        said = Counter(
            row["as_described"]
            for row in rows
            if row["how"] == how and least <= row["change_db"] < most
        )
        print(f"described {how}, {max(least, 0)} to {most} dB off: as described {dict(said)}")
    none = [row for row in rows if not row["truth"]]
    misnamed = sum(row["named"] and not row["right"] for row in none)
    print(f"no low-pass: {misnamed} of {len(none)} misnamed")
    report_high_passes([row for row in rows if row["found_high"] is not None])
    if detail:
        for row in rows:
            if row["as_described"] is False and row["how"] == "true":
                print(f"  {row['number']} false alarm", row["truth"], *map(str, row["found"]))
            high = row["found_high"]
            if high and high.filter and not high_right(high.filter, row["high"]):
                print(f"  {row['number']} high {high.probability:.2f} {high.filter} {row['high']}")
            if row["as_described"] and row["how"] == "wrong" and row["change_db"] > 3:
                print(
                    f"  {row['number']} not noticed {row['change_db']:.0f}",
                    row["truth"],
                    row["said"],
                )
            if row["named"] and not row["right"]:
                print(
                    f"  {row['number']}: {row['p']:.2f} {[str(f) for f in row['found']]} truth "
                    f"{row['truth']} {row['how']} {row['said']} end {row['end']:.0f}"
                )


def report_high_passes(rows):
    """Print how often a protective high-pass is named, and how often a stated one that is not."""
    named = [row for row in rows if row["found_high"].filter]
    right = sum(high_right(row["found_high"].filter, row["high"]) for row in named)
    stated = np.mean([row["found_high"].probability for row in named]) if named else 0.0
    engaged = sum(row["high"] is not None for row in rows)
    print(
        f"protective high-pass: engaged in {engaged} of {len(rows)}, named {len(named)}, right "
        f"{right}, stated {100 * stated:.0f} %"
    )
    for name, is_it in (("truly", True), ("wrongly", False)):
        said = [r for r in rows if r["said_high"] and (r["said_high"] == r["high"]) is is_it]
        print(f"  described {name}: {dict(Counter(r['found_high'].as_described for r in said))}")


def main():
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    taken = sys.argv[3] if len(sys.argv) > 3 else "close"
    report(*run(cases, seed, taken), detail="detail" in sys.argv)


if __name__ == "__main__":
    main()
