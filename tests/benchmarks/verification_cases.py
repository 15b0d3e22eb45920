"""Re-measurements with one known fault, made by code that shares nothing with the library.

The rooms are those of `joining_cases`. A re-measurement is the true response with the plan's
settings, a fault, and scatter: independent from seat to seat and source to source, correlated over
a third of an octave.
"""

from dataclasses import dataclass, replace

import numpy as np
from joining_cases import FREQUENCIES, butterworth
from scipy.interpolate import CubicSpline

EXACT = 1000.0 * 10.0 ** (np.arange(-17, -8) / 10.0)
LABELS = ("20", "25", "31.5", "40", "50", "63", "80", "100", "125")


@dataclass(frozen=True)
class Set:
    """What is really in force."""

    gains: np.ndarray
    level_db: float
    delay: float
    inverted: bool
    bypass: bool
    q_factor: float = 1.0
    high_pass: float = 0.0
    low_pass: float = 0.0
    mains_db: float = 0.0


@dataclass(frozen=True)
class Fault:
    """A fault: what is in force, what is done to the files, and which answers are right."""

    name: str
    code: str
    state: Set
    bands: frozenset = frozenset()
    seats: frozenset = frozenset()
    spoil: str = ""


def peaking(centre, gain_db, q=4.318, rate=48000.0):
    """Peaking filter of the audio equaliser cookbook (R. Bristow-Johnson)."""
    a, w = 10 ** (gain_db / 40.0), 2 * np.pi * centre / rate
    alpha, z = np.sin(w) / (2 * q), np.exp(-2j * np.pi * FREQUENCIES / rate)
    top = 1 + alpha * a - 2 * np.cos(w) * z + (1 - alpha * a) * z**2
    return top / (1 + alpha / a - 2 * np.cos(w) * z + (1 - alpha / a) * z**2)


def of_sub(case, state):
    out = np.exp(-2j * np.pi * FREQUENCIES * state.delay) * (-1.0 if state.inverted else 1.0)
    out = out * 10 ** (state.level_db / 20)
    for centre, gain in zip(EXACT, state.gains, strict=True):
        out = out * peaking(centre, gain, 4.318 * state.q_factor)
    if state.bypass and case.kind == "doubled_low_pass":
        out = out / butterworth("low", 2, case.corner) ** 2
    if state.high_pass:
        out = out * butterworth("high", 2, state.high_pass)
    if state.low_pass:
        out = out * butterworth("low", 2, state.low_pass) ** 2
    return out


def scattered(rng, rows, scatter_db):
    """Return rows with scatter of so many dB, correlated over a third of an octave."""
    knots = np.geomspace(12.0, 330.0, 15)
    smooth = CubicSpline(np.log(knots), rng.normal(size=(len(rows), 15)), axis=1)
    values = smooth(np.log(FREQUENCIES))
    inside = (FREQUENCIES > 20) & (FREQUENCIES < 200)
    values = values / np.std(values[:, inside])
    return rows * 10 ** (scatter_db * values / 20)


def measured_again(case, fault, rng, scatter_db, gain_db):
    """Return pressures of subwoofer and sum at the seats, with one microphone gain for both."""
    place = "beside" if fault.spoil == "all_moved" else "seats"
    sub = case.sub[place] * of_sub(case, fault.state)
    mains = case.mains[place] * 10 ** (fault.state.mains_db / 20)
    if fault.spoil == "seat_moved":
        at = int(next(iter(fault.seats)))
        sub, mains = sub.copy(), mains.copy()
        away = int(rng.integers(4))
        sub[at] = case.sub["left out"][away] * of_sub(case, fault.state)
        mains[at] = case.mains["left out"][away] * 10 ** (fault.state.mains_db / 20)
    if fault.spoil == "exchanged":
        a, b = (int(x) for x in fault.seats)
        turn = np.arange(len(sub))
        turn[[a, b]] = turn[[b, a]]
        sub, mains = sub[turn], mains[turn]
    gain = 10 ** (gain_db / 20)
    return scattered(rng, sub, scatter_db) * gain, scattered(rng, sub + mains, scatter_db) * gain


def visible_db(case, fault, planned, source):
    """Return what a fault changes, over third octaves up to an octave above the corner, in dB.

    The most of it; of moved microphones the root mean square, at the seat that moved most.
    """
    clean = Fault("", "", planned)
    rng, change = np.random.default_rng(0), []
    for one in (fault, clean):
        sub, both = measured_again(case, one, rng, 0.0, 0.0)
        change.append(np.abs(sub if source == "sub" else both) ** 2)
    lowest = 22.0 if "sub" in source.split() else max(22.0, case.corner / 2.0)
    centres = np.geomspace(lowest, min(140.0, 2.0 * case.corner), 20)
    rows = []
    for f in centres:
        inside = (f / 2 ** (1 / 6) < FREQUENCIES) & (f * 2 ** (1 / 6) > FREQUENCIES)
        rows.append(10 * np.log10(change[0][:, inside].mean(1) / change[1][:, inside].mean(1)))
    rows = np.array(rows) - np.median(rows)
    if fault.spoil in ("seat_moved", "all_moved"):
        return 1.5 * float(np.sqrt((rows**2).mean(axis=0)).max())
    return float(np.abs(rows).max())


def parts_of(fault, planned):
    """Return faults each of which has to be seen by itself: of two bands either one."""
    index = [LABELS.index(label) for label in fault.bands]
    if len(index) < 2:
        return [fault]
    found = []
    for i in index:
        gains = planned.gains.copy()
        gains[i] = fault.state.gains[i]
        found.append(replace(fault, state=replace(fault.state, gains=gains)))
    return found


def faults(rng, plan_state, before, others, case, seats):
    """Yield one fault of every kind that this plan and room can show."""
    p, g = plan_state, plan_state.gains
    yield Fault("as planned", "as_planned", p)
    if np.abs(before.gains - g).max() >= 3:
        yield Fault("bands as before", "as_before", replace(p, gains=before.gains))
        yield Fault("all as before", "as_before", before)
    if np.abs(g).max() >= 3:
        yield Fault("bands off", "bands_off", replace(p, gains=0 * g))
        yield Fault("signs", "signs", replace(p, gains=np.clip(-g, -12, 6)))
        yield Fault(
            "scaled", "scaled", replace(p, gains=np.clip(g * rng.choice([0.5, 1.7]), -12, 6))
        )
        step = int(rng.choice([-1, 1]))
        moved = np.roll(g, step)
        moved[0 if step > 0 else -1] = 0
        if np.abs(moved - g).max() >= 3:
            yield Fault("shifted", "shifted", replace(p, gains=moved))
        pairs = [(a, b) for a in range(9) for b in range(a) if abs(g[a] - g[b]) >= 3]
        if pairs:
            a, b = pairs[rng.integers(len(pairs))]
            swapped = g.copy()
            swapped[[a, b]] = g[[b, a]]
            yield Fault(
                "exchanged",
                "exchanged",
                replace(p, gains=swapped),
                bands=frozenset({LABELS[a], LABELS[b]}),
            )
    if others is not None and np.abs(others - g).max() >= 3:
        yield Fault("other plan", "other_plan", replace(p, gains=others))
    seen = [i for i in range(9) if EXACT[i] > 24]

    def wrong(index):
        choices = np.arange(-12, 6.1, 0.5)
        choices = choices[np.abs(choices - g[index]) >= 3]
        return float(rng.choice(choices))

    for _ in range(2):
        i = int(rng.choice(seen))
        one = g.copy()
        one[i] = wrong(i)
        yield Fault("one band", "band", replace(p, gains=one), bands=frozenset({LABELS[i]}))
    a, b = rng.choice(seen, 2, replace=False)
    two = g.copy()
    two[a], two[b] = wrong(a), wrong(b)
    yield Fault(
        "two bands", "two_bands", replace(p, gains=two), bands=frozenset({LABELS[a], LABELS[b]})
    )
    i = int(rng.choice(seen))
    one = g.copy()
    one[i] = wrong(i)
    level = float(rng.choice([-1, 1]) * rng.uniform(3, 6))
    yield Fault(
        "level and band",
        "band",
        replace(p, gains=one, level_db=p.level_db + level),
        bands=frozenset({LABELS[i]}),
    )
    yield Fault("level", "level", replace(p, level_db=p.level_db + level))
    yield Fault("high-pass on", "high_pass", replace(p, high_pass=float(rng.uniform(28, 50))))
    yield Fault("low-pass on", "low_pass", replace(p, low_pass=float(rng.uniform(45, 90))))
    yield Fault("polarity", "polarity", replace(p, inverted=not p.inverted))
    delay = float(rng.choice([-1, 1]) * rng.uniform(2e-3, 8e-3))
    yield Fault("delay", "delay", replace(p, delay=p.delay + delay))
    mains = float(rng.choice([-1, 1]) * rng.uniform(3, 6))
    yield Fault("mains level", "mains_level", replace(p, mains_db=mains))
    if seats > 1:
        yield Fault(
            "seat moved",
            "seat_moved",
            p,
            seats=frozenset({str(rng.integers(seats))}),
            spoil="seat_moved",
        )
        a, b = rng.choice(seats, 2, replace=False)
        yield Fault(
            "seats exchanged",
            "seats_exchanged",
            p,
            seats=frozenset({str(a), str(b)}),
            spoil="exchanged",
        )
    yield Fault("all moved 0.3 m", "all_moved", p, spoil="all_moved")
