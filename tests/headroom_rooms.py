"""Room folders with amplifier, load, driver and wanted level, written for tests."""

import numpy as np

from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.device.crossover import CrossoverFilter
from roomeq.wanted.target import roll_off_allowance_db

FREQUENCIES = 12.0 * 2.0 ** (np.arange(4 * 48 + 30) / 48.0)  # 12 to 296 Hz

ROOM = """\
format = 1
name = "Test room"

[[seats]]
name = "sofa"
weight = 2.0

[[seats]]
name = "chair"

[[measurements]]
seat = "sofa"
file = "sofa.csv"

[[measurements]]
seat = "chair"
file = "chair.csv"

[levels]
comparable = true

[device]
profile = "nine_band"

[device.present]
gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]
level_db = -10.0

[[path]]
kind = "low_pass"
family = "linkwitz_riley"
order = 4
corner = 80.0

[target]
lower_limit = 24.0
"""

PROTECTION = """
[device.present.protection]
corner = 20.0
"""

AMPLIFIER = """
[amplifier]
minimum_load_ohm = 4.0
measuring_voltage = 2.0
measuring_frequency = 50.0

[[amplifier.ratings]]
power_w = 400.0
load_ohm = 4.0

[[amplifier.ratings]]
power_w = 220.0
load_ohm = 8.0
"""

LOAD = """
[load]
driver_nominal_ohm = 8.0
in_parallel = 2
"""

DRIVER = """
[box]
kind = "closed"
resonance = 38.0
q = 0.8

[driver]
piston_area_m2 = 0.053
largest_displacement = 0.014
sensitivity_db = 93.0
"""

OUTPUT = """
[output]
edition = "CEA-2010-A"
distance = 2.0
detector = "rms"
levels = { "16" = 90, "20" = 96, "25" = 102, "31.5" = 108, "40" = 111, "50" = 112, "63" = 112 }
"""

HEADROOM = """
[headroom]
wanted_spl_db = 95.0
distance = 3.0
"""

EVERYTHING = PROTECTION + AMPLIFIER + LOAD + DRIVER + OUTPUT + HEADROOM


def write_levels(path, level_db, header="level (dB SPL)"):
    rows = [f"{f:.5f},{v:.5f}" for f, v in zip(FREQUENCIES, level_db, strict=True)]
    path.write_text(f"frequency (Hz),{header}\n" + "\n".join(rows) + "\n", "utf-8")


def seat_level_db(level_db=80.0, *, boom_db=5.0, weak_db=-4.0):
    """A closed box at 24 Hz, a low-pass at 80 Hz, a boom at 40 Hz and too little at 28 Hz."""
    low_pass = CrossoverFilter(kind="low_pass", family="linkwitz_riley", order=4, corner=80.0)
    shape = level_db + 20 * np.log10(np.abs(low_pass.response(FREQUENCIES)))
    shape -= roll_off_allowance_db(24.0 / FREQUENCIES, order=2)
    for centre, width, size in ((40.0, 0.3, boom_db), (28.0, 0.25, weak_db)):
        shape += size * np.exp(-((np.log2(FREQUENCIES / centre) / width) ** 2))
    return shape


def write_room(folder, *parts, header="level (dB SPL)", room=ROOM):
    """Write a folder with two seats and the given further tables; return it."""
    write_levels(folder / "sofa.csv", seat_level_db(), header)
    write_levels(folder / "chair.csv", seat_level_db(78.0, boom_db=4.0), header)
    (folder / "room.toml").write_text(room + "".join(parts), "utf-8")
    return folder


def distortion_of(axis, ratios_db, *, level_db=90.0, above=True):
    """Distortion with given ratios of orders 2 to 5, far above the noise or drowned in it."""
    axis = np.asarray(axis, dtype=float)
    fundamental = 10 ** (np.broadcast_to(level_db, axis.shape) / 20)
    ratios = np.broadcast_to(np.asarray(ratios_db, dtype=float), (4, axis.size))
    heard = np.broadcast_to(above, ratios.shape)
    return Distortion(
        frequencies=axis,
        harmonics=np.vstack([fundamental, fundamental * 10 ** (ratios / 20)]).astype(complex),
        noise=np.vstack([np.zeros(axis.size), np.where(heard, 0.0, np.inf)]),
    )
