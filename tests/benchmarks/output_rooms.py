"""The rooms that `saved_outputs.py` runs commands on: the samples, and others altered from them.

They are altered as text, without the library, so that what a command is given stays the same while
the library changes.
"""

import cmath
import csv
import math
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

SAMPLES = Path(__file__).resolve().parents[2] / "sample_measurements"
ROOMS = (
    *("bell_foundry", "brick_cellar", "ferry_office", "lakeside_cabin", "mill_loft"),
    *("rented_hall", "village_library"),
)

AMPLIFIER = """
[device.present.protection]
corner = 20
[amplifier]
minimum_load_ohm = 4
measuring_voltage = 2.0
measuring_frequency = 50
[[amplifier.ratings]]
power_w = 400
load_ohm = 4
"""
LOAD = """
[load]
driver_nominal_ohm = 8
in_parallel = 2
"""
DRIVER = """
[box]
kind = "closed"
resonance = 38
q = 0.8
[driver]
piston_area_m2 = 0.053
largest_displacement = 0.014
sensitivity_db = 93
"""
OUTPUT = """
[output]
edition = "CEA-2010-A"
detector = "rms"
distance = 2
levels = { "20" = 96, "25" = 102, "31.5" = 108, "40" = 111 }
"""
WANTED = """
[headroom]
wanted_spl_db = 95
distance = 3
drive_limit = "headroom"
"""
VENTED = DRIVER.replace('"closed"', '"vented"').replace(
    "q = 0.8\n", "q = 0.4\ntuning = 28\ncompliance_ratio = 1.2\n"
)
OWN_DEVICE = """
format = 1
name = "Five bands"
[equaliser]
centres = [25, 40, 63, 80, 100]
lowest_db = -10.0
highest_db = 3.0
step_db = 1.0
q = 2.5
q_measured = true
[level]
lowest_db = -30.0
highest_db = 0.0
step_db = 1.0
"""
FLAT = 'shape = "flat"\n'
TILT = 'shape = "tilt"\ntilt_db_per_octave = -1.5\n'
SHELF = 'shape = "shelf"\nshelf_gain_db = 4\nshelf_corner = 60\n'
POINTS = 'shape = "points"\nfile = "target.txt"\n'
LIMITS = """
[limits]
filter_boost_db = 3
drive_boost_db = 2
no_boost_below = 30
locked = [20, 100]
[fit]
excess_weight = 3
"""
LOCKED = "\n[limits]\nlocked = [20, 25, 31.5, 40, 50, 63, 80, 100, 125]\n"
TIMING = "common_reference = true"
PRESENT = 'gains_db = { "40" = -3.0, "63" = 2.0 }\nlevel_db = -6.0\n'
MICROPHONE = '[microphone]\nfile = "microphone.txt"\nkind = "response"\n'
CALIBRATOR = 'file = "calibrator.flac"\nlevel_db = 94.0\nfrequency = 1000.0\n'
LOW_PASS_120 = (
    '[[path]]\nkind = "low_pass"\nfamily = "butterworth"\norder = 2\n'
    'corner = 120.0\nwhere = "subwoofer"\n'
)

# Name: the room it comes from, what is replaced in its room.toml, what is added at the end.
GATE_AT_COAL_BOX = """[[measurements]]
seat = "coal box"
source = "sub"
subwoofer = "gate"
file = "gate_coal_box.txt"
"""
GATE_FED = (
    """name = "gate"
delay_highest_ms = 20
delay_step_ms = 0.1

[subwoofers.present]
gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]
level_db = -6.0
polarity = "normal"          # what its switch says
phase_deg = 0.0
delay_ms = 0.0
""",
    'name = "gate"\nfed_by = "furnace"\n',
)
GATE_INVERTED = (
    'polarity = "normal"          # what its switch says',
    'polarity = "inverted"',
)

ALTERED: dict[str, tuple[str, Sequence[tuple[str, str]], str]] = {
    "foundry_untimed": ("bell_foundry", ((TIMING, "common_reference = false"),), ""),
    "foundry_uncompared": ("bell_foundry", (("comparable = true", "comparable = false"),), ""),
    "foundry_fed": ("bell_foundry", (GATE_FED,), ""),
    "foundry_left_out": ("bell_foundry", ((GATE_AT_COAL_BOX, ""),), ""),
    "foundry_twice": ("bell_foundry", (("gate_coal_box.txt", "furnace_coal_box.txt"),), ""),
    "foundry_bad_name": ("bell_foundry", (('subwoofer = "gate"', 'subwoofer = "gaet"'),), ""),
    "foundry_wrong_sum": ("bell_foundry", (('"all_coal_box.txt', '"try_shelf_coal_box.txt'),), ""),
    "foundry_headroom": ("bell_foundry", (), LOAD + DRIVER + WANTED),
    "foundry_set": ("bell_foundry", (GATE_INVERTED,), ""),
    "cabin_headroom": ("lakeside_cabin", (), AMPLIFIER + LOAD + DRIVER + OUTPUT + WANTED),
    "cabin_vented": (
        "lakeside_cabin",
        (),
        AMPLIFIER + LOAD + VENTED + '\n[headroom]\nwanted_spl_db = { "31.5" = 90, "50" = 96 }\n'
        'main_seat = "sofa right"\ndistance = 2.5\n',
    ),
    "cabin_amplifier_alone": ("lakeside_cabin", (), AMPLIFIER + LOAD),
    "cabin_too_low_a_load": (
        "lakeside_cabin",
        (),
        AMPLIFIER + LOAD.replace("in_parallel = 2", "in_parallel = 4") + DRIVER + WANTED,
    ),
    "cabin_limits": ("lakeside_cabin", (), LIMITS),
    "cabin_locked": ("lakeside_cabin", (), LOCKED),
    "cabin_tilt": ("lakeside_cabin", ((FLAT, TILT),), ""),
    "cabin_shelf": ("lakeside_cabin", ((FLAT, SHELF),), ""),
    "cabin_points": ("lakeside_cabin", ((FLAT, POINTS),), ""),
    "cabin_coarse": ("lakeside_cabin", (("nine_band", "coarse_step"), (PRESENT, "")), ""),
    "cabin_own_device": ("lakeside_cabin", (("nine_band", "device.toml"), (PRESENT, "")), ""),
    "cabin_repeated": (
        "lakeside_cabin",
        (
            ('seat = "sofa right"', 'seat = "sofa left"'),
            ('[[seats]]\nname = "sofa right"\n', ""),
            ("repeatability_db = 0.3", ""),
        ),
        "",
    ),
    "cabin_untold": (
        "lakeside_cabin",
        (("comparable = true", ""), (PRESENT, ""), (MICROPHONE, ""), ('source = "sub"', "")),
        "",
    ),
    "cabin_bad_key": ("lakeside_cabin", (("repeatability_db", "repeatibility_db"),), ""),
    "cabin_bad_value": ("lakeside_cabin", (("order = 4", "order = 5"),), ""),
    "cabin_bad_toml": ("lakeside_cabin", (("weight = 2.0", "weight = "),), ""),
    "cabin_lost_file": ("lakeside_cabin", (("sofa_right.txt", "sofa_rihgt.txt"),), ""),
    "cabin_broken_row": ("lakeside_cabin", (("sofa_right.txt", "broken_row.txt"),), ""),
    "cabin_ambiguous": ("lakeside_cabin", (("sofa_right.txt", "ambiguous.txt"),), ""),
    "cellar_low_pass_off": ("brick_cellar", ((LOW_PASS_120, ""),), ""),
    "cellar_wrong_column": ("brick_cellar", (('"stools right" = 6', '"stools right" = 9'),), ""),
    "ferry_untimed": ("ferry_office", ((TIMING, "common_reference = false"),), ""),
    "ferry_no_close": (
        "ferry_office",
        (('[path_response]\nfile = "close_to_the_cone.txt"\ntaken = "close"\n', ""),),
        "",
    ),
    "ferry_bypass": ("ferry_office", (("can_bypass = false", "can_bypass = true"),), ""),
    "ferry_mixed": (
        "ferry_office",
        (('source = "both"', 'source = "sub"'), ("_both.txt", "_sub.txt")),
        "",
    ),
    "ferry_from_mains": ("ferry_office", ((FLAT, FLAT + 'level_from = "mains"\n'),), ""),
    "ferry_headroom": ("ferry_office", (), AMPLIFIER + LOAD + DRIVER + OUTPUT + WANTED),
    "hall_unweighted": ("rented_hall", (('weighting = "C"', ""),), ""),
    "hall_a_weighted": ("rented_hall", (('weighting = "C"', 'weighting = "A"'),), ""),
    "library_stated_gain": (
        "village_library",
        ((CALIBRATOR, "level_db = 94.0\nlevel_dbfs = -20.0\n"),),
        "",
    ),
    "library_no_loopback": ("village_library", (("loopback_channel = 2\n", ""),), ""),
    "library_headroom": ("village_library", (), AMPLIFIER + LOAD + DRIVER + WANTED),
}
BESIDE: Mapping[str, str] = {
    "target.txt": "Hz dB\n15 3\n30 2\n60 0\n120 -1\n200 -2\n",
    "device.toml": OWN_DEVICE,
    "broken_row.txt": "Hz;dB\n20;70\n25;7O\n31.5;71\n40;72\n",
    "ambiguous.txt": "20,5,70,3\n21,5,71,3\n25,0,70,9\n",
}

# Bare text exports that are faulty or special; the name tells how.
EXPORTS: Mapping[str, bytes] = {
    "plain.txt": b"Hz;dB\n" + b"".join(b"%d;%d\n" % (f, 70 + f * 7 % 11) for f in range(15, 160)),
    "no_heading.txt": b"".join(b"%d %d.5\n" % (f, 70 + f * 5 % 13) for f in range(15, 160)),
    "two_seats.csv": b"Frequency (Hz),Sofa (dB SPL),Chair (dB SPL)\n"
    + b"".join(b"%d,%d,%d\n" % (f, 70 + f * 5 % 7, 70 + f * 3 % 8) for f in range(15, 160)),
    "coarse.txt": b"Hz\tdB\n20\t70\n31.5\t75\n50\t72\n80\t71\n125\t69\n",
    "empty.txt": b"",
    "zeros.txt": bytes(64),
    "workbook.txt": b"PK\x03\x04\x14\x00",
    "prose.txt": b"Frequency response of the room\nmeasured by night\n",
    "weighted.txt": b"Hz;dB(A)\n20;70\n25;71\n31.5;70\n",
    "cut_off.txt": b"Hz;dB\n20;70\n25;71\n31.5;70\n40",
    "out_of_order.txt": b"Hz;dB\n20;70\n25;71\n22;70\n31;70\n40;70\n50;71\n",
    "twice.txt": b"Hz;dB\n20;70\n25;71\n25;72\n31;70\n",
    "two_tables.txt": b"Hz;dB\n20;70\n25;71\n30;72\n40;70\n\nHz;dB\n20;60\n25;61\n30;62\n40;60\n",
    "kilohertz_or_not.txt": b"0.02 70\n0.05 71\n0.2 70\n",
}


def make_rooms(folder: Path) -> None:
    """Write the sample rooms, those altered from them, and faulty exports into a folder."""
    for name in ROOMS:
        shutil.copytree(SAMPLES / name, folder / name)
    for name, (base, replaced, added) in ALTERED.items():
        shutil.copytree(folder / base, folder / name)
        for file, text in BESIDE.items():
            (folder / name / file).write_text(text, encoding="utf-8")
        room = folder / name / "room.toml"
        text = room.read_text(encoding="utf-8")
        for old, new in replaced:
            if old not in text:
                raise ValueError(f"{base}/room.toml no longer holds {old!r}")
            text = text.replace(old, new)
        room.write_text(text + added, encoding="utf-8")
    (folder / "exports").mkdir()
    for file, content in EXPORTS.items():
        (folder / "exports" / file).write_bytes(content)
    _levels_alone(folder / "ferry_office", folder / "ferry_levels")
    _measured_again(folder / "lakeside_cabin", folder / "cabin_as_set", forty_db=-9.0)
    _measured_again(folder / "lakeside_cabin", folder / "cabin_set_wrongly", forty_db=-3.0)


def _levels_alone(ferry: Path, folder: Path) -> None:
    """Write the ferry office without a time zero: levels of both, and of their difference."""
    shutil.copytree(ferry, folder)
    entries = ""
    for seat in ("bench_left", "bench_middle", "bench_right", "ticket_window"):
        sub, mains = (_pressures(ferry / f"{seat}_{source}.txt") for source in ("sub", "mains"))
        for source, sign in (("both", 1.0), ("difference", -1.0)):
            rows = [
                f"{f:.2f} {20.0 * math.log10(abs(one + sign * other)):.2f}\n"
                for (f, one), (_, other) in zip(sub, mains, strict=True)
            ]
            file = f"{seat}_{source}.txt"
            (folder / file).write_text("% Hz  dB SPL\n" + "".join(rows), encoding="utf-8")
            entries += (
                f'\n[[measurements]]\nseat = "{seat.replace("_", " ")}"\nsource = "{source}"\n'
                f'route = "bass_managed_main"\nfile = "{file}"\n'
            )
    text = (folder / "room.toml").read_text(encoding="utf-8")
    start = text.index("[[measurements]]             # not needed")
    text = text[:start] + text[text.index("[timing]") :].replace(TIMING, "common_reference = false")
    (folder / "room.toml").write_text(text + entries, encoding="utf-8")


def _pressures(path: Path) -> list[tuple[float, complex]]:
    rows = [line.split() for line in path.read_text().splitlines() if line[:1] not in ("%", "")]
    return [
        (float(f), cmath.rect(10.0 ** (float(level) / 20.0), math.radians(float(phase))))
        for f, level, phase in rows
    ]


def _measured_again(cabin: Path, folder: Path, *, forty_db: float) -> None:
    """Write the cabin with other settings in force: its true levels with them, in one table.

    The bands are analogue peaking sections of Q 4.318 (W3C Audio EQ Cookbook), as the samples have.
    """
    shutil.copytree(cabin, folder)
    with (cabin / "truth" / "seats.csv").open(newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    seats = [name.removesuffix(" level_db") for name in header[1::2]]
    lines = ["Frequency (Hz);" + ";".join(f"{seat} (dB SPL)" for seat in seats)]
    for row in rows[::2]:
        f = float(row[0])
        change_db = 3.5 + sum(_peak_db(f, *band) for band in ((31.5, -8.0), (63.1, 3.0)))
        change_db += _peak_db(f, 39.8, -3.0 + forty_db)
        lines.append(";".join([row[0], *(f"{float(v) + change_db:.3f}" for v in row[1::2])]))
    (folder / "again.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = (folder / "room.toml").read_text(encoding="utf-8")
    columns = ", ".join(f'"{seat}" = {place}' for place, seat in enumerate(seats, start=2))
    entry = f'[[measurements]]\nfile = "again.csv"\ncolumns = {{ {columns} }}\nsource = "sub"\n\n'
    text = text[: text.index("[[measurements]]")] + entry + text[text.index("[levels]") :]
    gains = '{ "31.5" = -8.0, "40" = -12.0, "63" = 3.0 }'
    text = text.replace(MICROPHONE, "[microphone]\nalready_applied = true\n")
    text = text.replace(PRESENT, f"gains_db = {gains}\nlevel_db = -2.5\n")
    (folder / "room.toml").write_text(text, encoding="utf-8")


def _peak_db(frequency: float, centre: float, gain_db: float) -> float:
    s, a = 1j * frequency / centre, 10.0 ** (gain_db / 40.0)
    return 20.0 * math.log10(abs((s * s + s * a / 4.318 + 1) / (s * s + s / (a * 4.318) + 1)))
