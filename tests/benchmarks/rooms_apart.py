"""Random rooms with known truth, by code that shares nothing with the library.

Conventions
-----------
Responses are complex pressure relative to the free field at 1 m of a subwoofer that is flat, shape
(places, frequencies), time factor exp(+j omega t); Hz, m, s. Ranges that are drawn from are
guesses at living rooms, from no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import butter, freqs, freqz

SPEED = 343.2
KINDS = ("rectangular modes", "image sources", "irregular walls")
CENTRES = 1000.0 * 10.0 ** (np.arange(-17, -8) / 10.0)  # ISO 266: 20 to 125 Hz, exact centres
QUALITY, RATE = 4.318, 48000.0  # as the profile nine_band says
LOWEST_DB, HIGHEST_DB, STEP_DB = -12.0, 6.0, 0.5
LEFT_OUT = 4  # places in the listening area that are not measured
TRUE_AXIS = 16.0 * 2.0 ** (np.arange(0, 318) / 96.0)  # 16 to 158 Hz


def peaking(frequencies, centre, gain_db):
    """Peaking section of the W3C Audio EQ Cookbook, evaluated by scipy."""
    a, w0 = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * centre / RATE
    alpha = math.sin(w0) / (2.0 * QUALITY)
    b = [1.0 + alpha * a, -2.0 * math.cos(w0), 1.0 - alpha * a]
    c = [1.0 + alpha / a, -2.0 * math.cos(w0), 1.0 - alpha / a]
    return freqz(b, c, worN=frequencies, fs=RATE)[1]


def equaliser(frequencies, gains_db):
    parts = [peaking(frequencies, c, g) for c, g in zip(CENTRES, gains_db, strict=True) if g]
    return np.prod([np.ones(len(frequencies)), *parts], axis=0)


def low_pass(frequencies, family, order, corner):
    """Analogue Butterworth; Linkwitz-Riley is two of half the order."""
    twice = family == "linkwitz_riley"
    b, a = butter(order // 2 if twice else order, 2.0 * math.pi * corner, analog=True)
    return freqs(b, a, worN=2.0 * math.pi * frequencies)[1] ** (2 if twice else 1)


def rectangular_modes(sides, highest, speed=SPEED):
    """Frequencies and orders of all modes up to `highest`; Kuttruff, Room Acoustics, chapter 3."""
    ranges = [np.arange(int(2.0 * highest * side / speed) + 1) for side in sides]
    orders = np.stack(np.meshgrid(*ranges, indexing="ij"), axis=-1).reshape(-1, 3)
    found = speed / 2.0 * np.sqrt(((orders / np.asarray(sides)) ** 2).sum(axis=1))
    return found[found <= highest], orders[found <= highest]


def _mode_sum(frequencies, modes, decay_times, weights, volume):
    """4 pi G of Kuttruff's mode sum; weights (places, modes)."""
    omega, damping = 2.0 * math.pi * frequencies, 3.0 * math.log(10.0) / decay_times
    squared = (2.0 * math.pi * modes) ** 2 + damping**2
    terms = 1.0 / (squared[:, None] - omega**2 + 2j * damping[:, None] * omega)
    return 4.0 * math.pi * SPEED**2 / volume * (weights @ terms)


def modal_transfer(frequencies, sides, source, places, decay_time, highest=450.0):
    """Rectangular room with damped modes; `decay_time` takes mode frequencies and orders."""
    modes, orders = rectangular_modes(sides, highest)

    def shapes(points):
        return np.cos(math.pi * np.atleast_2d(points)[:, None] * orders / sides).prod(axis=-1)

    weights = 2.0 ** (orders > 0).sum(axis=1) * shapes(places) * shapes(source)
    return _mode_sum(frequencies, modes, decay_time(modes, orders), weights, np.prod(sides))


def image_transfer(frequencies, sides, source, places, losses, slope=0.0, duration=0.35):
    """Image sources (JASA 65, 943, 1979): a wall reflects exp(-loss (f / 63 Hz) ** slope).

    Losses of shape (3, 2). Images of about the same loss share one spectrum, from which the others
    are interpolated, so that absorption may depend on frequency.
    """
    rate, length, step = 16000.0, 65536, 0.5
    grid = np.fft.rfftfreq(length, 1.0 / rate)
    kept_bins = (grid > 4.0) & (grid < 400.0)
    grid = grid[kept_bins]
    offsets, costs = [], []
    for side, at, (near, far) in zip(sides, source, losses, strict=True):
        reach = int(SPEED * duration / 2 / side) + 1
        count = np.arange(-reach, reach + 1)
        offsets.append(np.concatenate([2 * count * side + at, 2 * count * side - at]))
        direct, mirrored = abs(count), abs(count - 1)
        costs.append(np.concatenate([(near + far) * direct, near * mirrored + far * direct]))
    cost = (costs[0][:, None, None] + costs[1][:, None] + costs[2]).ravel()
    exponent = (grid / 63.0) ** slope - 1.0
    result = []
    for place in places:
        x, y, z = ((offset - at) ** 2 for offset, at in zip(offsets, place, strict=True))
        distance = np.sqrt(x[:, None, None] + y[:, None] + z).ravel()
        kept = (distance < SPEED * duration) & (cost < 10.0)
        time = distance[kept] / SPEED
        fade = np.cos(math.pi / 2 * np.clip(time / duration * 3 - 2, 0, 1)) ** 2
        strength = fade * np.exp(-cost[kept]) / distance[kept]
        group, part = np.divmod(cost[kept] / step, 1.0)
        group, sample = group.astype(int), np.rint(time * rate).astype(int)
        trains = np.zeros((int(10.0 / step) + 2, int(duration * rate) + 2))
        np.add.at(trains, (group, sample), strength * (1.0 - part))
        np.add.at(trains, (group + 1, sample), strength * part)
        spectra = np.fft.rfft(trains, length)[:, kept_bins]
        result.append((spectra * np.exp(-np.arange(len(trains))[:, None] * step * exponent)).sum(0))
    return CubicSpline(grid, np.array(result), axis=1)(frequencies)


def irregular_transfer(frequencies, sides, source, places, decay_time, rng):
    """Modes spaced as irregular walls space them, of random plane waves, and a few reflections."""
    volume, edges = np.prod(sides), 4.0 * np.sum(sides)
    surface = 2.0 * volume * np.sum(1.0 / np.asarray(sides))
    ratio = np.linspace(0.0, 400.0 / SPEED, 4000)
    shares = 4 * math.pi / 3 * volume, math.pi / 4 * surface, edges / 8, 0.0
    number = np.polyval(shares, ratio)  # of modes below; Kuttruff, chapter 3
    wanted = np.arange(1, int(number[-1])) + rng.uniform(-0.4, 0.4, int(number[-1]) - 1)
    modes = np.concatenate([[rng.uniform(2.0, 12.0)], SPEED * np.interp(wanted, number, ratio)])
    waves = rng.normal(size=(modes.size, 6, 3))
    waves /= np.linalg.norm(waves, axis=-1, keepdims=True)
    waves *= (2.0 * math.pi * modes / SPEED)[:, None, None]
    start = rng.uniform(0.0, 2.0 * math.pi, (modes.size, 6))
    points = np.vstack([source, places])
    shapes = np.cos(np.einsum("mwc,pc->pmw", waves, points) + start).sum(axis=-1) / math.sqrt(3.0)
    times = decay_time(modes, None) * rng.lognormal(0.0, 0.3, modes.size)
    total = _mode_sum(frequencies, modes, times, 2.0 * shapes[1:] * shapes[0], volume)
    for strength in (1.0, *rng.uniform(0.3, 0.8, rng.integers(2, 5))):
        away = 0.0 if strength == 1.0 else rng.uniform(-4.0, 4.0, 3)
        distance = np.linalg.norm(np.asarray(places) - source - away, axis=1)[:, None]
        total = total + strength * np.exp(-2j * math.pi * frequencies * distance / SPEED) / distance
    return total


@dataclass(frozen=True, kw_only=True)
class SubwooferBox:
    """High-pass of a box: ``b(s) / a(s)`` of s over the resonance; vented ones after Small 1973."""

    limit: float
    order: int
    resonance: float
    poles: np.ndarray
    table: dict[str, float | str] | None  # what its maker tells, None where it is not known

    def response(self, frequencies):
        zeros = [1.0] + [0.0] * self.order
        return freqs(zeros, self.poles, worN=frequencies / self.resonance)[1]


def random_box(rng):
    """Draw a box of order 2, 3 or 4 that is 6 dB down at 18 to 40 Hz."""
    limit, order, known = (
        round(rng.uniform(18.0, 40.0), 1),
        int(rng.integers(2, 5)),
        rng.uniform() < 0.6,
    )
    q, compliance, leakage = rng.uniform(0.55, 1.0), rng.uniform(0.9, 3.0), 7.0
    poles = np.array([1.0, 1.0 / q, 1.0])
    if order == 3:
        poles = np.polymul(poles, [1.0, rng.uniform(0.6, 1.1)])
    if order == 4:  # near the maximally flat ones: Q 0.41 and tuning 1 at a compliance ratio of 1
        q, h = 0.41 * compliance**-0.32, compliance**0.35
        middle = h * h + h / (leakage * q) + 1.0 + compliance
        poles = np.array([1.0, h / leakage + 1.0 / q, middle, h * (h / q + 1.0 / leakage), h * h])
    ratios = np.geomspace(8.0, 0.2, 20000)
    level = np.abs(freqs([1.0] + [0.0] * order, poles, worN=ratios)[1])
    resonance = limit / ratios[np.argmax(level < 0.5)]
    table = {"kind": "vented" if order == 4 else "closed", "resonance": resonance, "q": q}
    if order == 4:
        table |= {"tuning": h * resonance, "compliance_ratio": compliance, "leakage_q": leakage}
    table = table if known and order != 3 else None
    return SubwooferBox(limit=limit, order=order, resonance=resonance, poles=poles, table=table)


@dataclass(frozen=True, kw_only=True)
class ApartRoom:
    """A room: what was measured in it, and what is true (noise-free, all bands at 0)."""

    seed: int
    kind: str
    box: SubwooferBox
    filter: tuple[str, int, float] | None  # low-pass in the path: family, order, corner
    tilt: float  # of the wanted curve, dB per octave
    weights: np.ndarray
    comparable: bool
    present_db: np.ndarray
    frequencies: np.ndarray
    measured: np.ndarray  # (seats, F)
    truth: np.ndarray  # (seats + LEFT_OUT, TRUE_AXIS)

    @property
    def corner(self):
        return math.inf if self.filter is None else self.filter[2]

    def curve_db(self, frequencies, *, path=True):
        wanted = self.tilt * np.log2(frequencies / 50.0)
        if self.filter is not None and path:
            wanted = wanted + 20.0 * np.log10(np.abs(low_pass(frequencies, *self.filter)))
        return wanted

    def write(self, folder, *, limit_stated, path_stated, says_none):
        """Write text exports and ``room.toml`` as the room's user would.

        `says_none` spells a path without a low-pass ``path = "none"``.
        """
        lines = ["format = 1", f'name = "Room {self.seed}"']
        if self.filter is None and path_stated and says_none:
            lines.append('path = "none"')
        for index, (weight, row) in enumerate(zip(self.weights, self.measured, strict=True)):
            level, phase = 20.0 * np.log10(np.abs(row)), np.degrees(np.angle(row))
            columns = np.column_stack([self.frequencies, level, phase])
            text = "\n".join(f"{f:.4f}\t{x:.2f}\t{p:.2f}" for f, x, p in columns)
            (folder / f"{index}.txt").write_text(f"Hz\tdB SPL\tdeg\n{text}\n", encoding="utf-8")
            lines += ["[[seats]]", f'name = "seat {index}"', f"weight = {weight:.2f}"]
            lines += ["[[measurements]]", f'seat = "seat {index}"', f'file = "{index}.txt"']
        lines += ["[levels]", f"comparable = {str(self.comparable).lower()}"]
        lines += ["[device]", 'profile = "nine_band"', "[device.present]"]
        lines += [f"gains_db = {[float(gain) for gain in self.present_db]}"]
        if self.filter is not None and path_stated:
            family, order, corner = self.filter
            lines += ["[[path]]", 'kind = "low_pass"', f'family = "{family}"', f"order = {order}"]
            lines += [f"corner = {corner}"]
        lines += ["[target]"]
        if self.tilt:
            lines += ['shape = "tilt"', f"tilt_db_per_octave = {self.tilt}"]
        if limit_stated:
            lines += [f"lower_limit = {self.box.limit:.1f}"]
        if limit_stated and self.box.table is not None:
            lines += ["[box]", f'kind = "{self.box.table["kind"]}"']
            lines += [f"{k} = {v:.6f}" for k, v in self.box.table.items() if k != "kind"]
        (folder / "room.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _transfer(rng, kind, frequencies, seats):
    """Draw a room, one or two subwoofers and a listening area; return (seats + LEFT_OUT, F)."""
    sides = np.array([rng.uniform(4.3, 8.0), rng.uniform(3.2, 5.6), rng.uniform(2.3, 2.9)])
    subs = 1 if rng.uniform() < 0.75 else 2
    sources = rng.uniform([0.2, 0.3, 0.2], [0.7, sides[1] - 0.3, 0.45], (subs, 3))
    centre = sides * [rng.uniform(0.45, 0.8), rng.uniform(0.35, 0.65), 0.0] + [0.0, 0.0, 1.1]
    reach = np.array([*rng.uniform([0.3, 0.5], [1.2, 1.4]), 0.1])
    places = centre + reach * rng.uniform(-1.0, 1.0, (seats + LEFT_OUT, 3))
    places = np.clip(places, 0.3, sides - 0.3)
    slope, reverberant = rng.uniform(-0.4, 0.5), rng.uniform(0.25, 0.7)
    by_axes = np.array([0.6, 1.0, 0.85, 0.7])  # the uniform mode leaks; oblique modes die sooner
    losses = rng.uniform(0.04, 0.28, (3, 2))
    seed = rng.integers(2**32)

    def decay_time(modes, orders):
        time = reverberant * np.clip(modes / 63.0, 0.3, None) ** -slope
        return time if orders is None else time * by_axes[(orders > 0).sum(axis=1)]

    def one(source):
        if kind == KINDS[0]:
            return modal_transfer(frequencies, sides, source, places, decay_time)
        if kind == KINDS[1]:
            return image_transfer(frequencies, sides, source, places, losses, slope)
        walls = np.random.default_rng(seed)  # both subwoofers stand in the same room
        return irregular_transfer(frequencies, sides, source, places, decay_time, walls)

    return sum(one(source) for source in sources)


def _noise(rng, frequencies, clean):
    """Return `clean` with 0.1 to 0.5 dB of scatter and a floor 30 to 60 dB below its mean."""
    rows, scatter = clean.shape[0], rng.uniform(0.1, 0.5)
    knots = np.geomspace(8.0, 320.0, 17)
    smooth = CubicSpline(knots, rng.normal(size=(rows, 17)), axis=1)(frequencies)
    level_db = scatter * (smooth + rng.normal(size=clean.shape)) / math.sqrt(2.0)
    turn = np.radians(6.6 * scatter) * rng.normal(size=clean.shape)  # as much as the level
    floor = 10.0 ** (-rng.uniform(30.0, 60.0) / 20.0) * np.sqrt(np.mean(np.abs(clean) ** 2))
    added = rng.normal(size=(*clean.shape, 2)) @ np.array([1.0, 1j]) / math.sqrt(2.0)
    return clean * 10.0 ** (level_db / 20.0) * np.exp(1j * turn) + floor * added


def random_room(seed):
    """Return the room of that seed."""
    rng = np.random.default_rng([seed, 1959])
    kind, seats, box = KINDS[seed % 3], int(rng.integers(1, 10)), random_box(rng)
    family, order = (("linkwitz_riley", 4), ("butterworth", 2), ("butterworth", 4))[
        rng.choice(3, p=[0.6, 0.2, 0.2])
    ]
    path = (family, order, float(rng.choice([70, 80, 90, 100, 120])))
    path = None if rng.uniform() < 0.2 else path
    present = np.zeros(CENTRES.size)
    if rng.uniform() < 0.35:
        moved = rng.choice(CENTRES.size, rng.integers(1, 5), replace=False)
        present[moved] = rng.integers(-16, 9, moved.size) * STEP_DB
    tilt = float(rng.choice([-2.0, -1.0, 1.0])) if rng.uniform() < 0.25 else 0.0
    weighted = rng.uniform() < 0.25
    weights = np.round(rng.uniform(0.5, 2.0, seats), 2) if weighted else np.ones(seats)
    comparable = bool(rng.uniform() < 0.75)
    frequencies = np.arange(10.0, 260.0, rng.choice([0.5, 48000 / 65536, 1.0]))
    both = np.concatenate([frequencies, TRUE_AXIS])
    field = _transfer(rng, kind, both, seats) * box.response(both)
    field = field if path is None else field * low_pass(both, *path)
    clean = field[:seats, : frequencies.size] * equaliser(frequencies, present)
    offset_db = 85.0 + (0.0 if comparable else rng.uniform(-4.0, 4.0, (seats, 1)))
    return ApartRoom(
        seed=seed,
        kind=kind,
        box=box,
        filter=path,
        tilt=tilt,
        weights=weights,
        comparable=comparable,
        present_db=present,
        frequencies=frequencies,
        measured=_noise(rng, frequencies, clean) * 10.0 ** (offset_db / 20.0),
        truth=field[:, frequencies.size :],
    )
