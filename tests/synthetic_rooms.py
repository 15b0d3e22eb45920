"""Synthetic surveys whose truth is known: a target times filters, measured at several seats."""

import numpy as np

from roomeq.base.bands import third_octave_bands
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.device.equaliser import FixedBandEqualiser, QLaw

FREQUENCIES = np.geomspace(8.0, 400.0, 1500)


def nine_bands(**changes):
    settings = {
        "bands": third_octave_bands(20, 125),
        "lowest_db": -12.0,
        "highest_db": 6.0,
        "step_db": 0.5,
        "q_law": QLaw.constant(4.318),
    }
    return FixedBandEqualiser(**(settings | changes))


def survey_of(levels_db, *, frequencies=FREQUENCIES, comparable=True, weights=None, **response):
    """Return a survey with one seat for each row of levels."""
    rows = np.atleast_2d(levels_db)
    return Survey(
        measurements=tuple(
            Measurement(
                seat=f"seat {index + 1}",
                response=FrequencyResponse.from_level(frequencies, row, **response),
            )
            for index, row in enumerate(rows)
        ),
        seat_weights=weights,
        levels_comparable=comparable,
    )


def bump_db(frequencies, *, centre, height_db, octaves):
    """Return a bell over ln f."""
    return height_db * np.exp(-0.5 * (np.log2(frequencies / centre) / octaves) ** 2)


def random_levels_db(seed, *, seats=5, frequencies=FREQUENCIES):
    """Return levels with a shared part and a part of their own, shape (seats, F)."""
    random = np.random.default_rng(seed)

    def bumps(count, height_db):
        return sum(
            bump_db(
                frequencies,
                centre=random.uniform(20, 130),
                height_db=random.normal(0, height_db),
                octaves=random.uniform(0.1, 0.5),
            )
            for _ in range(count)
        )

    return 75.0 + bumps(6, 5.0) + np.array([bumps(6, 3.0) for _ in range(seats)])
