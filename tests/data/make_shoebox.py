"""Make shoebox.csv: three places for a subwoofer and four seats in one rectangular room.

Made once with pyroomacoustics 0.10.1 (image sources; a general-purpose library for room acoustics,
not needed by the project), numpy 2.4.6 and Python 3.11: ``python make_shoebox.py > shoebox.csv``.
Everything that it was told stands below. Complex pressure of a monopole in the unit of that library
(1 / r of the direct sound), at the points of `several_rooms.py`; a row for each frequency,
real and imaginary part of every place at every seat.
"""

import sys

import numpy as np
import pyroomacoustics as pra

SIDES, ABSORPTION, ORDER, RATE = (5.7, 4.3, 2.5), 0.22, 24, 2000
PLACES = {"corner": (0.35, 0.3, 0.3), "front": (0.4, 2.6, 0.3), "side": (3.9, 3.95, 0.3)}
SEATS = {
    "left": (3.6, 1.2, 1.1),
    "middle": (3.7, 2.1, 1.1),
    "right": (3.6, 3.0, 1.1),
    "behind": (4.9, 2.3, 1.2),
}
POINTS = 20.0 * 2.0 ** (np.arange(-2, 66) / 24.0)

pra.constants.set("rir_hpf_enable", False)
room = pra.ShoeBox(SIDES, fs=RATE, materials=pra.Material(ABSORPTION), max_order=ORDER)
for place in PLACES.values():
    room.add_source(place)
room.add_microphone_array(np.array(list(SEATS.values())).T)
room.compute_rir()
lag = pra.constants.get("frac_delay_length") // 2  # samples before time zero
columns, names = [], []
for p, place in enumerate(PLACES):
    for s, seat in enumerate(SEATS):
        response = room.rir[s][p]
        times = (np.arange(response.size) - lag) / RATE
        pressure = np.exp(-2j * np.pi * POINTS[:, None] * times) @ response
        columns += [pressure.real, pressure.imag]
        names += [f"{place} {seat} re", f"{place} {seat} im"]
rows = np.column_stack([POINTS, *columns])
np.savetxt(sys.stdout, rows, "%.4g", ",", header=",".join(["Hz", *names]), comments="")
