"""Rooms with several subwoofers, by numpy alone: direct sound and a few echoes at every seat."""

import numpy as np

AXIS = np.geomspace(12.0, 320.0, 260)
SEATS = ("left", "middle", "right")

HEAD = """\
format = 1
name = "Ropewalk"
path = "none"
[levels]
comparable = true
repeatability_db = 0.3
[timing]
common_reference = true
[target]
lower_limit = 22
"""

OWN = """\
[[subwoofers]]
name = "{name}"
delay_highest_ms = 20
{more}
[subwoofers.present]
gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]
level_db = -6
polarity = "normal"
phase_deg = 0
"""
SHARED = "".join(
    line
    for line in OWN.splitlines(keepends=True)
    if line.split(" =")[0] not in ("delay_highest_ms", "gains_db", "level_db")
)
"""The same of two with one device: delay, bands and level are not of each."""


def late(pressure, delay, *, axis=AXIS):
    return pressure * np.exp(-2j * np.pi * axis * delay)


def digital_band(axis, *, centre, gain_db, q=4.318):
    """Return a peaking section of the W3C Audio EQ Cookbook at 48 kHz."""
    w0, a = 2 * np.pi * centre / 48000.0, 10.0 ** (gain_db / 40.0)
    alpha = np.sin(w0) / (2 * q)
    z = np.exp(-2j * np.pi * axis / 48000.0)
    top = (1 + alpha * a) - 2 * np.cos(w0) * z + (1 - alpha * a) * z**2
    bottom = (1 + alpha / a) - 2 * np.cos(w0) * z + (1 - alpha / a) * z**2
    return top / bottom


def set_to(pressures, *, gains_db=(), level_db=0.0, delay=0.0, inverted=False, axis=AXIS):
    """Return pressures behind nine bands at 20 to 125 Hz (IEC 61260-1), level, delay, polarity."""
    gain = 10.0 ** (level_db / 20.0) * (-1.0 if inverted else 1.0)
    for band, own_db in enumerate(gains_db):
        gain = gain * digital_band(axis, centre=10.0 ** (1.3 + 0.1 * band), gain_db=own_db)
    return late(pressures * gain, delay, axis=axis)


def echoes(seed, *, seats=3, axis=AXIS, count=5, strength=0.5):
    """Return a subwoofer's pressure at seats: box, direct sound and echoes, shape (S, F)."""
    rng = np.random.default_rng(seed)
    s = 1j * axis / 30.0
    box = s**2 / (s**2 + s / 0.7 + 1.0)
    rows = []
    for _ in range(seats):
        row = late(np.ones(axis.size, complex), rng.uniform(0.006, 0.014), axis=axis)
        for _ in range(count):
            size = strength * rng.uniform(0.3, 1.0)
            row = row + size * late(np.ones(axis.size), rng.uniform(0.015, 0.05), axis=axis)
        rows.append(row * box)
    return 1e4 * np.array(rows)


def write_response(path, pressure, *, axis=AXIS, phase=True):
    rows = ["Hz\tdB\tdeg" if phase else "Hz\tdB"]
    for f, p in zip(axis, pressure, strict=True):
        turn = f"\t{np.angle(p, deg=True):.5f}" if phase else ""
        rows.append(f"{f:.5f}\t{20 * np.log10(max(abs(p), 1e-6)):.5f}{turn}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def entry(file, seat, **keys):
    more = "".join(f'{key} = "{value}"\n' for key, value in keys.items())
    return f'[[measurements]]\nfile = "{file}"\nseat = "{seat}"\n{more}'


def write_several(
    folder, parts, *, head=HEAD, own=OWN, more=None, together=None, places=None, mains=None
):
    """Write a room: `parts` are pressures by subwoofer, shape (S, F); return its folder.

    `more` are lines of a subwoofer's table by its name; `together` are pressures of all at once,
    `places` those of the subwoofer at places where it is tried.
    """
    text = head
    for name in parts:
        text += own.format(name=name, more=(more or {}).get(name, ""))
    kinds = [({"subwoofer": name}, rows) for name, rows in parts.items()]
    kinds += [({"subwoofer": "all"}, together)] if together is not None else []
    kinds += [({"place": name}, rows) for name, rows in (places or {}).items()]
    kinds += [({"source": "mains"}, mains)] if mains is not None else []
    for number, (keys, rows) in enumerate(kinds):
        for seat, row in zip(SEATS, rows, strict=False):
            write_response(folder / f"{number} {seat}.txt", row)
            text += entry(f"{number} {seat}.txt", seat, **keys)
    (folder / "room.toml").write_text(text, encoding="utf-8")
    return folder
