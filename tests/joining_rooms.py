"""Subwoofer and mains with a common time reference, as filters and invented modes make them."""

import numpy as np
import scipy.signal

from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.plan.joining import JoiningSeatRow, SumBandsRecord

FREQUENCIES = np.geomspace(12.0, 420.0, 1200)
CORNER = 1000.0 * 2.0 ** (-175 / 48)
"""79.88 Hz: a point of the axes, so that closed forms at the corner need no interpolation."""
KEPT = (FREQUENCIES > 30) & (FREQUENCIES < 210)
"""Where both parts are loud enough for levels alone."""


def butterworth(kind, order, *, corner=CORNER, frequencies=FREQUENCIES):
    """Return scipy.signal's analogue Butterworth filter."""
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, kind, analog=True)
    return scipy.signal.freqs(b, a, worN=2 * np.pi * np.asarray(frequencies))[1]


def linkwitz_riley(kind, order, *, corner=CORNER, frequencies=FREQUENCIES):
    return butterworth(kind, order // 2, corner=corner, frequencies=frequencies) ** 2


def delayed(pressure, delay, *, frequencies=FREQUENCIES):
    return pressure * np.exp(-2j * np.pi * np.asarray(frequencies) * delay)


def four_levels(sub, mains, *, axis=KEPT):
    """Return the levels of the parts, of their sum and of their difference, one row for a seat."""

    def db(pressure):
        return 20 * np.log10(np.abs(np.atleast_2d(pressure)[:, axis]))

    levels = {
        "sub": db(sub),
        "mains": db(mains),
        "both": db(np.add(sub, mains)),
        "difference": db(np.subtract(sub, mains)),
    }
    return {"levels_db": levels}


def survey_of(sub, mains, *, both=None, route="bass_managed_main", comparable=False, **others):
    """Return a survey with one seat for each row."""
    measurements = []
    parts = {"sub": sub, "mains": mains} | ({} if both is None else {"both": both})
    for source, rows in parts.items():
        for index, row in enumerate(np.atleast_2d(rows)):
            measurements.append(
                Measurement(
                    seat=f"seat {index + 1}",
                    source=source,
                    route=route,
                    response=FrequencyResponse.from_pressure(FREQUENCIES, row, **others),
                )
            )
    return Survey(measurements=tuple(measurements), levels_comparable=comparable)


def modal_seats(rng, seats, *, modes=14):
    """Return the room's part at seats: direct sound and damped modes with random signs."""
    resonances = np.sort(rng.uniform(20.0, 260.0, modes))
    damping = rng.uniform(2.0, 4.0, modes)
    s = 1j * FREQUENCIES
    terms = [r * s / (s**2 + d * s + r**2) * 0.06 for r, d in zip(resonances, damping, strict=True)]
    weights = rng.normal(size=(seats, modes))
    return delayed(np.ones((seats, 1)), rng.uniform(0.008, 0.014, (seats, 1))) + weights @ terms


def modal_survey(seed, *, seats=3, order=4, extra=None, polarity=None):
    """Return a seeded room behind a Linkwitz-Riley crossover, the subwoofer late and maybe flipped.

    The sum of both is measured as well.
    """
    rng = np.random.default_rng(seed)
    late = rng.uniform(-0.004, 0.008) if extra is None else extra
    sign = rng.choice([-1.0, 1.0]) if polarity is None else polarity
    level = 10 ** (rng.uniform(-3, 3) / 20)
    sub = delayed(modal_seats(rng, seats), late) * sign * level * linkwitz_riley("low", order)
    mains = modal_seats(rng, seats) * linkwitz_riley("high", order)
    return survey_of(sub, mains, both=sub + mains)


JOINED_TOML = """\
format = 1
name = "Boat house"
[levels]
comparable = true
[timing]
common_reference = true
[device]
profile = "nine_band"
[device.present]
gains_db = [0, 0, 0, 0, 0, 0, 0, 0, 0]
level_db = -10
polarity = "normal"
phase_deg = 0
delay_ms = 0
[[path]]
kind = "low_pass"
family = "linkwitz_riley"
order = 4
corner = 80
where = "processor"
[[path]]
kind = "low_pass"
family = "linkwitz_riley"
order = 4
corner = 80
where = "amplifier"
[[mains_path]]
kind = "high_pass"
family = "linkwitz_riley"
order = 4
corner = 80
where = "processor"
[processor]
delay_lowest_ms = -4.0
delay_highest_ms = 0.0
delay_step_ms = 0.2
[path_response]
file = "close.txt"
[target]
lower_limit = 25
"""
"""A low-pass engaged twice; what is delayed and inverted is for the tool to find."""


def write_joined_room(folder, *, toml=JOINED_TOML, late=0.003, seats=2, sources=None, low_passes=2):
    """Write a room: subwoofer late and inverted behind a low-pass, mains behind its match.

    The low-pass is engaged twice, unless `low_passes` is something else.

    Mild modes, the same direct sound everywhere, no noise but rounding to 0.01 dB and 0.01 degree.
    """
    rng = np.random.default_rng(11)
    axis = FREQUENCIES[::2]
    low = linkwitz_riley("low", 4, corner=80.0, frequencies=axis)
    close = low**low_passes * butterworth("high", 2, corner=25.0, frequencies=axis)
    high = linkwitz_riley("high", 4, corner=80.0, frequencies=axis)
    tables = []

    def write(name, pressure):
        rows = [
            f"{f:.4f}\t{80 + 20 * np.log10(abs(p)):.2f}\t{np.angle(p, deg=True):.2f}"
            for f, p in zip(axis, pressure, strict=True)
        ]
        (folder / name).write_text("Hz\tdB\tdeg\n" + "\n".join(rows) + "\n", encoding="utf-8")

    for seat in range(seats):
        mode = 1 + 0.1 * rng.standard_normal() * np.cos(2 * np.pi * axis / 150.0 + seat)
        sub = delayed(-mode * close, 0.010 + late, frequencies=axis)
        mains = delayed(mode * high, 0.010, frequencies=axis)
        parts = {"sub": sub, "mains": mains, "both": sub + mains, "difference": mains - sub}
        for source in sources or ("sub", "mains", "both"):
            write(f"{source}_{seat}.txt", parts[source])
            tables.append(
                f'[[measurements]]\nseat = "seat {seat + 1}"\nfile = "{source}_{seat}.txt"\n'
                f'source = "{source}"\nroute = "bass_managed_main"\n'
            )
    write("close.txt", close)
    (folder / "room.toml").write_text(toml + "".join(tables), encoding="utf-8")
    return folder


def bands_record(*, chosen=True, no_change=None):
    row = JoiningSeatRow(seat="sofa", weight=1.0, before_db=4.0, after_db=2.0, level_gain_db=0.5)
    return SumBandsRecord(
        lowest=20.0,
        highest=160.0,
        deviation_before_db=3.5,
        deviation_db=1.5,
        labels=("40",),
        gains_db=(-3.0,),
        chosen=chosen,
        no_change=no_change,
        seats=(row,),
    )
