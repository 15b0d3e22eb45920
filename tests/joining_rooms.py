"""Subwoofer and mains with a common time reference, as filters and invented modes make them."""

import numpy as np
import scipy.signal

from roomeq.response import FrequencyResponse
from roomeq.survey import Measurement, Survey

FREQUENCIES = np.geomspace(12.0, 420.0, 1200)
CORNER = 1000.0 * 2.0 ** (-175 / 48)
"""79.88 Hz: a point of the axes, so that closed forms at the corner need no interpolation."""


def butterworth(kind, order, *, corner=CORNER, frequencies=FREQUENCIES):
    """Return scipy.signal's analogue Butterworth filter."""
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, kind, analog=True)
    return scipy.signal.freqs(b, a, worN=2 * np.pi * np.asarray(frequencies))[1]


def linkwitz_riley(kind, order, *, corner=CORNER, frequencies=FREQUENCIES):
    return butterworth(kind, order // 2, corner=corner, frequencies=frequencies) ** 2


def delayed(pressure, delay, *, frequencies=FREQUENCIES):
    return pressure * np.exp(-2j * np.pi * np.asarray(frequencies) * delay)


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
