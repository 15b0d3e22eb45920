"""Clean room folders of unlike kinds, with known truth, by code apart from the library.

Conventions
-----------
A room is drawn from its seed: sides, places all over it, box, filters in the path, microphone,
frequencies and layout of the exports, and what its file states, all of it true. Responses are
complex pressures relative to 20 micropascals, shape (seats, frequencies); Hz, m. Ranges that are
drawn from are guesses at living rooms, from no source. `rooms_apart` gives the acoustics.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from rooms_apart import SPEED, image_transfer, low_pass, modal_transfer, random_box
from scipy.interpolate import CubicSpline
from scipy.signal import butter, freqs

PLACES = ("sofa", "arm chair", "window", "stool", "bench", "ottoman", "desk", "corner", "back row")
NOMINAL = ("20", "25", "31.5", "40", "50", "63", "80", "100", "125", "160", "200")
KINDS = ("exports", "exports", "exports", "one table", "typed")


@dataclass(frozen=True, kw_only=True)
class Room:
    """A folder as its user would write it; `tables` are texts of ``room.toml`` below the seats."""

    seed: int
    kind: str
    seats: tuple[str, ...]
    frequencies: np.ndarray
    sub: np.ndarray
    play_mains: Callable[[], np.ndarray]  # few rooms need them
    files: dict[str, bytes]
    measurements: tuple[dict[str, object], ...]
    tables: dict[str, str]
    filter: tuple[str, int, float] | None

    def with_table(self, name, text):
        """Return the room with one table put in, or taken out where `text` is empty."""
        return replace(self, tables={**self.tables, name: text})

    def with_file(self, name, content):
        content = content.encode() if isinstance(content, str) else content
        return replace(self, files={**self.files, name: content})

    def with_measurement(self, index, **changes):
        entries = [dict(entry) for entry in self.measurements]
        entries[index] = {k: v for k, v in {**entries[index], **changes}.items() if v is not None}
        return replace(self, measurements=tuple(entries))

    def text(self):
        lines = ["format = 1", f'name = "Room {self.seed}"', self.tables.get("top", "")]
        for entry in self.measurements:
            lines += ["[[measurements]]", *(f"{key} = {_toml(v)}" for key, v in entry.items())]
        return "\n".join([*lines, *(v for k, v in self.tables.items() if k != "top"), ""])

    def write(self, folder):
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in {**self.files, "room.toml": self.text().encode()}.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)
        return folder


def _toml(value):
    if isinstance(value, dict):
        return "{ " + ", ".join(f'"{k}" = {_toml(v)}' for k, v in value.items()) + " }"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else f"{value}"


def in_db(pressure):
    return 20.0 * np.log10(np.abs(pressure))


def draw_axis(rng):
    """Linear from a transform, or logarithmic with 24 to 96 points an octave."""
    low, high = rng.choice([5.0, 10.0, 15.0]), rng.choice([200.0, 250.0, 300.0, 400.0])
    if rng.uniform() < 0.5:
        step = rng.choice([0.25, 0.366210938, 0.5, 1.0])
        return np.round(np.arange(math.ceil(low / step), high / step) * step, 4)
    per_octave = rng.choice([24, 48, 96])
    return np.round(
        low * 2.0 ** (np.arange(int(math.log2(high / low) * per_octave)) / per_octave), 3
    )


def transfer(rng, frequencies, count):
    """Return what gives the pressure at `count` places, and the sides.

    It takes whether of the mains, else of the subwoofer; shape (count, frequencies).
    """
    sides = rng.uniform([3.5, 2.8, 2.2], [9.0, 6.5, 3.4])
    sub = rng.uniform([0.2, 0.3, 0.15], [1.2, sides[1] - 0.3, 0.5])
    main = rng.uniform([0.4, 0.5, 0.6], [1.2, sides[1] - 0.5, 1.2])
    middle = sides * rng.uniform([0.4, 0.35, 0.35], [0.8, 0.65, 0.45])
    spread = rng.uniform(0.3, 1.0) * sides * [0.3, 0.45, 0.06]
    places = np.clip(middle + spread * rng.uniform(-1, 1, (count, 3)), 0.25, sides - 0.25)
    decay, slope = rng.uniform(0.2, 0.9), rng.uniform(-0.4, 0.5)
    losses = rng.uniform(0.04, 0.4, (3, 2))
    images = rng.uniform() < 0.5

    def one(of_mains):
        source = main if of_mains else sub
        if images:
            return image_transfer(frequencies, sides, source, places, losses, slope)
        return modal_transfer(
            frequencies,
            sides,
            source,
            places,
            lambda f, _: decay * np.clip(f / 63, 0.3, 9) ** -slope,
        )

    return one, sides


def high_pass(frequencies, order, corner):
    b, a = butter(order, 2 * math.pi * corner, "high", analog=True)
    return freqs(b, a, worN=2 * math.pi * frequencies)[1]


def noisy(rng, pressure):
    """Add what a second sweep would change, and a floor 35 to 65 dB below the mean."""
    floor = 10.0 ** (-rng.uniform(35, 65) / 20) * np.sqrt(np.mean(np.abs(pressure) ** 2))
    added = rng.normal(size=(*pressure.shape, 2)) @ [1.0, 1j] / math.sqrt(2)
    knots = np.geomspace(4.0, 500.0, 15)
    drift = CubicSpline(
        np.log(knots), rng.normal(0, rng.uniform(0.05, 0.3), (*pressure.shape[:-1], 15)), axis=-1
    )
    return pressure, floor * added, drift


def layout(rng, frequencies, columns, heads, *, decimals=2):
    """Return one text: a random layout of columns of numbers below their headings."""
    mark, point = [(";", ","), (";", "."), ("\t", "."), ("\t", ","), (",", "."), ("  ", ".")][
        rng.integers(6)
    ]
    order = slice(None, None, -1) if rng.uniform() < 0.15 else slice(None)
    cells = [[f"{f:.4f}" for f in frequencies[order]]]
    cells += [[f"{v:.{decimals}f}" for v in column[order]] for column in columns]
    rows = [
        mark.join(row).replace(".", point) if point == "," else mark.join(row)
        for row in zip(*cells, strict=True)
    ]
    above = [[], ["# quiet evening"], ["Place: by the stove", "Averages: 4", ""]][rng.integers(3)]
    newline = "\r\n" if rng.uniform() < 0.3 else "\n"
    return (newline.join([*above, mark.join(heads), *rows]) + newline).encode("utf-8")


FREQUENCY_WORDS = ("Frequency (Hz)", "Freq [Hz]", "f/Hz", "Hz", "Frequenz (Hz)")


def export(rng, frequencies, pressure, *, spl, phase):
    words = (
        ("Level (dB SPL)", "SPL [dB]", "SPL (dB)")
        if spl
        else ("Level (dB)", "Magnitude (dB)", "dB")
    )
    level = in_db(pressure) - (0.0 if spl else 60.0)
    columns, heads = [level], [str(rng.choice(words))]
    if phase:
        columns.append(np.degrees(np.angle(pressure)))
        heads.append(str(rng.choice(["Phase (deg)", "Phase [°]", "deg"])))
    return layout(rng, frequencies, columns, [str(rng.choice(FREQUENCY_WORDS)), *heads])


def microphone(rng, frequencies):
    """Return a microphone's response in dB at any frequencies, its file, and its table."""
    knots = np.geomspace(2.0, 25000.0, 12)
    curve = CubicSpline(np.log(knots), rng.normal(0.0, 0.5, 12))
    axis = np.geomspace(4.0, 20000.0, 160)
    kind = str(rng.choice(["response", "correction"]))
    sign = 1.0 if kind == "response" else -1.0
    said = {
        "response": ["response of the microphone", "subtract from the measurement", "as measured"],
        "correction": ["correction, add to the measurement", "correction values", "to be added"],
    }[kind]
    text = "\n".join(
        [
            f"* {rng.choice(said)}",
            "Hz   dB",
            *(f"{f:.3f}  {sign * curve(math.log(f)):+.3f}" for f in axis),
            "",
        ]
    )
    table = f'[microphone]\nfile = "microphone.txt"\nkind = "{kind}"'
    return curve(np.log(frequencies)), text.encode(), table


def clean_room(seed, *, kind=None, filtered=None, seats=None, comparable=None):
    """Return the room of that seed; arguments hold what is not to be drawn."""
    rng = np.random.default_rng([seed, 2711])
    kind = kind or str(rng.choice(KINDS))
    count = seats or int(rng.integers(1, 8))
    names = tuple(rng.permutation(PLACES)[:count].tolist())
    axis = draw_axis(rng)
    pressure, sides = transfer(rng, axis, count)
    box = random_box(rng)
    family, order = [("linkwitz_riley", 4), ("butterworth", 2), ("butterworth", 4)][rng.integers(3)]
    corner = float(rng.choice([60, 70, 80, 90, 100, 120]))
    with_filter = rng.uniform() < 0.8 if filtered is None else filtered
    chain = (family, order, corner) if with_filter else None
    sub = pressure(False) * box.response(axis) * (1.0 if chain is None else low_pass(axis, *chain))
    loud = 20e-6 / 20e-6 * 10.0 ** (rng.uniform(72, 92) / 20)
    sub, loud_mains = loud * sub, loud * rng.uniform(0.7, 1.4)

    @cache
    def play_mains():
        return loud_mains * pressure(True) * high_pass(axis, 4, corner) * high_pass(axis, 2, 50.0)

    comparable = bool(rng.uniform() < 0.7) if comparable is None else comparable
    if not comparable:
        sub = sub * 10.0 ** (rng.uniform(-6, 6, (count, 1)) / 20)
    files, entries, tables = {}, [], {}
    heard, floor, drift = noisy(rng, sub)
    sub = heard + floor
    response = np.zeros(axis.size)
    if kind != "typed" and rng.uniform() < 0.6:
        response, files["microphone.txt"], tables["microphone"] = microphone(rng, axis)
    taken = sub * 10.0 ** (response / 20)
    if kind == "exports":
        for index, name in enumerate(names):
            spl, phase = rng.uniform() < 0.6 or comparable, rng.uniform() < 0.6
            file = f"{name.replace(' ', '_')}.txt"
            files[file] = export(rng, axis, taken[index], spl=spl, phase=phase)
            entries.append({"seat": name, "source": "sub", "file": file})
        if rng.uniform() < 0.3:  # the first seat once more
            again = taken[0] * 10.0 ** (drift(np.log(axis))[0] / 20)
            files["again.txt"] = export(
                rng, axis, again, spl=spl if count == 1 else comparable, phase=False
            )
            if count == 1 or comparable:
                entries.append({"seat": names[0], "source": "sub", "file": "again.txt"})
            else:
                del files["again.txt"]
        if rng.uniform() < 0.25:
            for index, name in enumerate(names):
                file = f"mains/{name.replace(' ', '_')}.txt"
                played = play_mains()[index] * 10.0 ** (response / 20)
                files[file] = export(rng, axis, played, spl=True, phase=True)
                entries.append({"seat": name, "source": "mains", "file": file})
    elif kind == "one table":
        heads = [str(rng.choice(FREQUENCY_WORDS)), *(f"{n} (dB SPL)" for n in names)]
        files["all.csv"] = layout(rng, axis, list(in_db(taken)), heads)
        where = (
            {"columns": {n: i + 2 for i, n in enumerate(names)}}
            if count > 1
            else {"seat": names[0]}
        )
        entries.append({"file": "all.csv", "source": "sub", **where})
    else:
        files["levels.csv"], tables["typed"] = typed(rng, axis, taken, names)
        entries.append(
            {
                "kind": "band_levels",
                "file": "levels.csv",
                "weighting": tables.pop("typed"),
                "source": "sub",
            }
        )
    tables |= stated(rng, chain, comparable, box, sides)
    return Room(
        seed=seed, kind=kind, seats=names, frequencies=axis, sub=sub, play_mains=play_mains,
        files=files, measurements=tuple(entries), tables=tables, filter=chain,
    )  # fmt: skip


def c_weighting_db(frequencies):
    """C weighting of IEC 61672-1, Annex E, with its rounded pole frequencies 20.6 and 12194 Hz."""
    f2 = frequencies**2
    return 20.0 * np.log10(12194.0**2 * f2 / ((f2 + 20.6**2) * (f2 + 12194.0**2))) + 0.062


def band_levels(frequencies, pressure):
    """Return power means of third octaves, in dB, shape (seats, bands)."""
    centres = np.array([1000.0 * 10.0 ** (n / 10.0) for n in range(-17, -6)])
    fine = centres[:, None] * 10.0 ** np.linspace(-0.05, 0.05, 41)
    power = [np.interp(fine, frequencies, np.abs(row) ** 2).mean(axis=1) for row in pressure]
    return centres, 10.0 * np.log10(np.array(power))


def typed(rng, frequencies, pressure, names, weighting=None):
    weighting = weighting or str(rng.choice(["C", "none"]))
    centres, level = band_levels(frequencies, pressure)
    level = level + (c_weighting_db(centres) if weighting == "C" else 0.0)
    shown = np.clip(np.round(2.0 * level) / 2.0, 0.0, 139.0)
    rows = [
        ",".join([band, *(f"{v:g}" for v in row)])
        for band, row in zip(NOMINAL, shown.T, strict=True)
    ]
    return "\n".join([",".join(["band", *names]), *rows, ""]).encode(), weighting


def stated(rng, chain, comparable, box, sides):
    """Return the tables of a room file that says what is true."""
    tables = {"top": "" if chain else 'path = "none"'}
    tables["levels"] = f"[levels]\ncomparable = {str(comparable).lower()}"
    tables["device"] = (
        '[device]\nprofile = "nine_band"\n[device.present]\ngains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]'
    )
    if chain:
        family, order, corner = chain
        tables["path"] = (
            f'[[path]]\nkind = "low_pass"\nfamily = "{family}"\norder = {order}\ncorner = {corner}'
        )
    if rng.uniform() < 0.7:
        tables["target"] = f"[target]\nlower_limit = {box.limit:.1f}"
    if rng.uniform() < 0.5:
        tables["room"] = "[room]\n" + "\n".join(
            f"{key} = {side:.2f}"
            for key, side in zip(("length", "width", "height"), sides, strict=True)
        )
    return tables


def first_modes(sides):
    """Return the lowest frequency along each side in a rigid box; Kuttruff, chapter 3."""
    return [SPEED / 2.0 / side for side in sides]
