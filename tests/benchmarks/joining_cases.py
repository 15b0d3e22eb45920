"""Random rooms with subwoofer and mains, made by code that shares nothing with the library.

Rectangular rooms as sums of damped modes (all of them up to 420 Hz), crossover filters by scipy,
closed boxes by their transfer function. Three kinds: Linkwitz-Riley of fourth order in both paths;
Linkwitz-Riley with closed mains and a second-order Butterworth high-pass; the first with a second
low-pass in the amplifier. The subwoofer is early or late by up to 8 ms, and inverted in half of
them; noise lies 40 dB below the mean level. Time convention ``exp(+j omega t)``.
"""

from dataclasses import dataclass, field

import numpy as np
import scipy.signal

FREQUENCIES = np.arange(16.0, 300.0, 0.5)
C = 343.2
KINDS = ("linkwitz_riley", "closed_mains", "doubled_low_pass")


@dataclass
class Case:
    """One room: true pressures at seats, left-out seats and places 0.3 m beside the seats."""

    kind: str
    corner: float
    delay: float
    inverted: bool
    box_corner: float
    mains_corner: float
    sub: dict = field(default_factory=dict)
    mains: dict = field(default_factory=dict)
    arrival: float = 0.0
    noisy_sub: np.ndarray | None = None
    noisy_mains: np.ndarray | None = None


def butterworth(kind, order, corner):
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, kind, analog=True)
    return scipy.signal.freqs(b, a, worN=2 * np.pi * FREQUENCIES)[1]


def closed_box(corner, q):
    ratio = 1j * FREQUENCIES / corner
    return ratio**2 / (1 + ratio / q + ratio**2)


def mode_sum(sides, sources, places, decay):
    """Return pressure over volume acceleration of all sources at places, shape (N, F)."""
    most = [int(2 * 420.0 * side / C) for side in sides]
    nx, ny, nz = (n.ravel() for n in np.meshgrid(*(np.arange(m + 1) for m in most), indexing="ij"))
    natural = 0.5 * C * np.sqrt((nx / sides[0]) ** 2 + (ny / sides[1]) ** 2 + (nz / sides[2]) ** 2)
    kept = natural <= 420.0
    orders, natural = np.array([nx, ny, nz])[:, kept], natural[kept]
    norm = np.prod(np.where(orders > 0, 2.0, 1.0), axis=0)

    def shape(point):
        return np.prod(np.cos(np.pi * orders * (np.array(point) / sides)[:, None]), axis=0)

    rate = 6.91 / np.interp(natural, *decay)
    omega, own = 2 * np.pi * FREQUENCIES, 2 * np.pi * natural
    terms = 1.0 / (own[:, None] ** 2 - omega**2 + 2j * rate[:, None] * omega)
    at = np.array([shape(place) for place in places])
    return (at * norm * sum(map(shape, sources))) @ terms * (C**2 / np.prod(sides))


def random_case(seed, kind):
    """Return one room of a kind."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    sides = np.array([rng.uniform(4.2, 8.5), rng.uniform(3.2, 6.0), rng.uniform(2.3, 3.2)])
    corner = float(rng.choice([60.0, 70.0, 80.0, 80.0, 90.0, 100.0]))
    case = Case(
        kind=kind,
        corner=corner,
        delay=float(rng.uniform(-0.008, 0.008)),
        inverted=bool(rng.integers(2)),
        box_corner=float(rng.uniform(22.0, 36.0)),
        mains_corner=corner if kind == "closed_mains" else float(rng.uniform(30.0, 45.0)),
    )
    seats = int(rng.integers(1, 7))
    area = np.array([rng.uniform(0.45, 0.7), rng.uniform(0.35, 0.65)]) * sides[:2]

    def place():
        spot = area + rng.uniform(-1.1, 1.1, 2)
        return (*np.clip(spot, 0.35, sides[:2] - 0.35), rng.uniform(0.95, 1.25))

    here = [place() for _ in range(seats)]
    turn = rng.uniform(0, 2 * np.pi, seats)
    beside = [
        (x + 0.3 * np.cos(t), y + 0.3 * np.sin(t), z)
        for (x, y, z), t in zip(here, turn, strict=True)
    ]
    places = {"seats": here, "left out": [place() for _ in range(4)], "beside": beside}
    decay = ([25.0, 60.0, 200.0], np.sort(rng.uniform(0.2, 0.7, 3))[::-1])
    walls = [
        (rng.uniform(0.3, sides[0] - 0.3), 0.35, 0.3),
        (0.35, rng.uniform(0.3, sides[1] - 0.3), 0.3),
    ]
    sub_place = walls[int(rng.integers(2))]
    half = rng.uniform(0.9, 1.4)
    middle = sides[1] / 2 + rng.uniform(-0.2, 0.2)
    left, right = (
        (rng.uniform(0.3, 0.9), y, rng.uniform(0.8, 1.1)) for y in (middle - half, middle + half)
    )
    far = {
        name: np.linalg.norm(np.array(here) - np.array(source), axis=1)
        for name, source in (("sub", sub_place), ("left", left), ("right", right))
    }
    apart = far["sub"] - np.minimum(far["left"], far["right"])
    case.arrival = case.delay + float(np.mean(apart)) / C
    low = butterworth("low", 2, corner) ** 2
    sub_path = low * closed_box(case.box_corner, 0.7071)
    if kind == "doubled_low_pass":
        sub_path = sub_path * low
    mains_path = closed_box(case.mains_corner, 0.7071)
    mains_path = mains_path * (
        butterworth("high", 2, corner)
        if kind == "closed_mains"
        else butterworth("high", 2, corner) ** 2
    )
    fault = np.exp(-2j * np.pi * FREQUENCIES * case.delay) * (-1.0 if case.inverted else 1.0)
    level = 10 ** (rng.uniform(-4.0, 4.0) / 20.0)
    every = [place for spots in places.values() for place in spots]
    ends = np.cumsum([len(spots) for spots in places.values()])[:-1]
    sub = mode_sum(sides, [sub_place], every, decay) * sub_path * fault * level
    mains = 0.5 * mode_sum(sides, [left, right], every, decay) * mains_path
    case.sub, case.mains = (
        dict(zip(places, np.split(rows, ends), strict=True)) for rows in (sub, mains)
    )
    middle_band = (corner / 1.4142 < FREQUENCIES) & (corner * 1.4142 > FREQUENCIES)
    power = np.mean(np.abs(case.sub["seats"][:, middle_band]) ** 2)
    power += np.mean(np.abs(case.mains["seats"][:, middle_band]) ** 2)

    def noisy(rows):
        noise = rng.standard_normal(rows.shape) + 1j * rng.standard_normal(rows.shape)
        return rows + noise * np.sqrt(power / 2 * 1e-4)

    case.noisy_sub, case.noisy_mains = noisy(case.sub["seats"]), noisy(case.mains["seats"])
    return case
