"""The mill loft: amplifier, drivers, limits and a wanted level, from the room file into the plan.

What is checked is reckoned by hand from the room's own makers and from closed forms.
"""

import math

import numpy as np
import pytest
from places import SAMPLES

import roomeq as rq
from roomeq.importers.room_file.reading import read_room_file

LOFT = SAMPLES / "mill_loft"
NOMINAL = [20, 25, 31.5, 40, 50, 63, 80, 100, 125]


@pytest.fixture(scope="module")
def plan():
    return rq.propose(rq.read_room(LOFT))


@pytest.fixture(scope="module")
def stated():
    return read_room_file(LOFT)


def test_the_stated_voltage_is_that_of_the_stated_sensitivity(stated):
    """87.5 dB in a free field at knob 0 is what the room was made with; half space adds 6.02 dB
    (Beranek, Acoustics, 1954, chapter 4); a fourth-order Linkwitz-Riley low-pass at twice the
    frequency is 1 / (1 + (1/2)**4), since it is a squared Butterworth of second order."""
    level_db = 87.5 + stated.device.present.level_db + 20 * math.log10(2)
    level_db -= 20 * math.log10(1 + (50 / 100) ** 4)
    volts = 2.83 * 10 ** ((level_db - stated.driver.sensitivity_db) / 20)
    assert stated.amplifier.measuring_voltage == pytest.approx(volts, rel=0.01)


def test_every_table_that_the_readme_names_is_stated(stated):
    tables = ("amplifier", "load", "box", "driver", "headroom")
    assert all(getattr(stated, table) is not None for table in tables)
    assert stated.states("limits", "filter_boost_db")
    assert stated.states("device", "present", "protection", "off")


def test_the_plan_keeps_the_limits(plan, stated):
    gains = dict(zip(NOMINAL, (row.gain_db for row in plan.bands), strict=True))
    assert gains[20] == 0.0
    axis = np.geomspace(20, 150, 400)
    room = rq.read_room(LOFT)
    summed_db = room.equaliser.response_db(list(gains.values()), axis)
    assert summed_db.max() <= stated.limits.filter_boost_db + 1e-6
    drive_db = summed_db + plan.level.change_db
    assert drive_db.max() <= stated.limits.drive_boost_db + 0.1  # the knob moves by half a dB


def test_the_headroom_is_that_of_the_stated_equipment(plan, stated):
    headroom = plan.headroom
    assert headroom.main_seat == stated.headroom.main_seat
    assert headroom.drive_limit == "headroom"
    assert headroom.rated_voltage == pytest.approx(math.sqrt(500 * 4))  # P = U**2 / R
    assert headroom.first in ("16", "20", "25")
    wanted = max(row.wanted_db for row in headroom.bands)
    assert wanted == pytest.approx(stated.headroom.wanted_spl_db, abs=0.5)
