"""Folders of rooms made by formula alone: a boom and a slope a room, drawn from a seed."""

import numpy as np

ROOM_TOML = """format = 1
name = "Room {seed}"
path = "none"

{measurements}
[levels]
comparable = true

[target]
lower_limit = 22
"""


QUICK = "[limits]\nlocked = [20, 25, 31.5, 63, 80, 100, 125]\n"  # two bands are searched soon


def write_rooms(folder, seeds, *, seats=2, points=120, more=""):
    """Write one folder for each seed, each with text exports and a room file; return them."""
    axis = np.geomspace(12.0, 300.0, points)
    made = []
    for seed in seeds:
        random = np.random.default_rng(seed)
        room = folder / f"room_{seed:05d}"
        room.mkdir(parents=True)
        boom = random.uniform(35.0, 80.0)
        entries = ""
        for seat in range(seats):
            level = 75.0 + random.normal(0.0, 1.5) * np.log2(axis / 60.0)
            for centre, height in ((boom, random.uniform(6, 12)), (random.uniform(25, 110), 4.0)):
                level += height * np.exp(-0.5 * (np.log2(axis / centre) / 0.25) ** 2)
            name = f"seat_{seat + 1}.txt"
            rows = (f"{f:.3f},{v:.2f}" for f, v in zip(axis, level, strict=True))
            (room / name).write_text("Frequency (Hz),Level (dB SPL)\n" + "\n".join(rows) + "\n")
            entries += f'[[measurements]]\nseat = "seat {seat + 1}"\nfile = "{name}"\n\n'
        (room / "room.toml").write_text(ROOM_TOML.format(seed=seed, measurements=entries) + more)
        made.append(room)
    return made
