"""What check shows."""

from dataclasses import replace

import numpy as np
import pytest
from headroom_rooms import EVERYTHING, HEADROOM, PROTECTION, write_room
from places import SAMPLES
from synthetic_rooms import FREQUENCIES, bump_db, survey_of

from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement
from roomeq.importers.room import read_room
from roomeq.jobs.check import room_overview


@pytest.fixture(scope="module")
def hall():
    return read_room(SAMPLES / "rented_hall")


def test_band_rows_are_plain_statistics_of_the_table(hall):
    overview = room_overview(hall)
    survey = hall.survey.of_source("sub")
    levels = seat_levels_db(survey, at=common_axis(survey))
    assert [row.label for row in overview.bands][:3] == ["20", "25", "31.5"]
    for row, column in zip(overview.bands, levels.T, strict=True):
        mean = np.average(column, weights=survey.weights)
        assert row.level_mean_db == pytest.approx(mean)
        spread = np.sqrt(np.average((column - mean) ** 2, weights=survey.weights))
        assert row.spread_db == pytest.approx(spread)
        assert row.range_db == pytest.approx(np.ptp(column))
        assert row.loudest == survey.seats[int(np.argmax(column))]
    assert overview.dips == ()  # band levels cannot show a cancellation
    assert overview.measurements[0].resolution == "third_octave"


def test_cellar_shows_its_cancellations():
    overview = room_overview(read_room(SAMPLES / "brick_cellar"))
    assert [dip for dip in overview.dips if dip.verdict == "cancellation"]
    assert overview.variation_between_seats_db2 > overview.unevenness_of_average_db2
    assert not overview.levels_comparable or overview.measurements


def test_levels_that_do_not_compare_keep_their_mean(hall):
    loose = replace(hall, survey=replace(hall.survey, levels_comparable=False))
    a, b = room_overview(hall), room_overview(loose)
    assert b.variation_between_seats_db2 < a.variation_between_seats_db2
    assert np.mean([row.level_mean_db for row in b.bands]) == pytest.approx(
        np.mean([row.level_mean_db for row in a.bands]), abs=1.5
    )


@pytest.fixture(scope="module")
def cabin():
    return read_room(SAMPLES / "lakeside_cabin")


def narrow(hall, levels_db, *, frequencies=FREQUENCIES, weights=None):
    """Return the hall with narrow responses instead: a row of levels for each seat."""
    survey = survey_of(levels_db, frequencies=frequencies, weights=weights)
    return replace(hall, survey=survey)


def test_seat_weights_count(hall):
    # by hand: 3 to 1 for 80 and 60 dB, in power, in dB, and about the mean of 75 dB
    levels = np.array([[80.0], [60.0]]) * np.ones(FREQUENCIES.size)
    found = room_overview(narrow(hall, levels, weights={"seat 1": 3.0}))
    row = found.bands[4]
    assert row.power_mean_db == pytest.approx(10 * np.log10((3e8 + 1e6) / 4), abs=1e-6)
    assert row.level_mean_db == pytest.approx(75.0)
    assert row.spread_db == pytest.approx(np.sqrt((3 * 5**2 + 15**2) / 4))
    assert found.variation_between_seats_db2 == pytest.approx(75.0)
    assert found.unevenness_of_average_db2 == pytest.approx(0.0, abs=1e-9)
    assert (row.loudest, row.quietest) == ("seat 1", "seat 2")


def test_only_bands_that_were_measured_are_listed(hall):
    kept = (FREQUENCIES > 22) & (FREQUENCIES < 110)
    level = np.full((2, kept.sum()), 75.0)
    found = room_overview(narrow(hall, level, frequencies=FREQUENCIES[kept]))
    # the bands of 20 Hz (from 17.8 Hz) and 100 Hz (to 112.2 Hz) are not whole
    assert [row.label for row in found.bands] == ["25", "31.5", "40", "50", "63", "80"]


def test_dips_of_six_db_are_listed_wherever_a_band_could_meet_them(hall):
    level = np.full((2, FREQUENCIES.size), 75.0)
    for centre, depth in ((22.0, -9.0), (60.0, -4.0), (115.0, -9.0), (200.0, -15.0)):
        level += bump_db(FREQUENCIES, centre=centre, height_db=depth, octaves=0.15)
    found = room_overview(narrow(hall, level))
    assert [dip.frequency for dip in found.dips] == pytest.approx([22, 115], rel=0.03)


def test_phase_is_among_the_evidence(cabin):
    found = room_overview(cabin)
    assert any("excess_group_delay" in dip.evidence for dip in found.dips)
    assert found.odd_seat == "armchair by the stove"
    assert found.odd_seat_distance_db > 3
    assert found.lower_limit == 28.0
    assert found.repeatability_db == cabin.repeatability_db == 0.3


def test_every_measurement_is_listed(hall):
    first = hall.survey.measurements[0]
    noisy = FrequencyResponse.from_level(
        [20, 50, 200], [70, 71, 70], snr_db=[30, 30, 30], level_reference="spl"
    )
    mains = Measurement(seat=first.seat, source="mains", response=noisy, file="m.txt")
    survey = replace(hall.survey, measurements=(*hall.survey.measurements, mains))
    rows = room_overview(replace(hall, survey=survey)).measurements
    assert len(rows) == len(hall.survey.measurements) + 1
    assert not rows[0].snr_known
    last = rows[-1]
    assert (last.source, last.file, last.points, last.snr_known) == ("mains", "m.txt", 3, True)
    assert (last.lowest, last.highest, last.has_phase) == (20.0, 200.0, False)


def test_equipment_is_listed_as_far_as_it_is_stated(tmp_path):
    assert room_overview(read_room(write_room(tmp_path))).equipment is None
    row = room_overview(read_room(write_room(tmp_path, EVERYTHING))).equipment
    # two drivers of 8 ohm side by side, 0.8 times that at the lowest; 400 W into 4 ohm are 40 V
    assert row.load.startswith("4 ohm (2 drivers of 8 ohm")
    assert (row.load_minimum_ohm, row.minimum_assumed) == (pytest.approx(3.2), True)
    assert (row.rated_voltage, row.rated_power_w) == (pytest.approx(40.0), pytest.approx(400.0))
    assert (row.amplifier_minimum_ohm, row.box, row.largest_displacement) == (4.0, "closed", 0.014)
    assert (row.measuring_voltage, row.measuring_frequency) == (2.0, 50.0)
    assert row.high_pass == "high-pass Butterworth 12 dB/oct at 20 Hz"
    assert (row.wanted_db, row.main_seat, row.distance) == ((("", 95.0),), "sofa", 3.0)
    assert (row.distortion_known, row.drive_limit) == (False, "flat")
    parts = HEADROOM.replace("95.0", '{ "20" = 90.0, "31.5" = 95.0 }')
    row = room_overview(read_room(write_room(tmp_path, parts))).equipment
    assert row.wanted_db == (("20", 90.0), ("31.5", 95.0))
    assert (row.load, row.rated_voltage, row.box, row.high_pass) == (None, None, None, None)
    off = PROTECTION.replace("corner = 20.0", "off = true")
    assert room_overview(read_room(write_room(tmp_path, off))).equipment.high_pass == "off"


def test_what_is_too_short_to_judge_is_refused_with_its_name(hall):
    kept = FREQUENCIES > 110
    short = narrow(hall, np.full((1, kept.sum()), 75.0), frequencies=FREQUENCIES[kept])
    with pytest.raises(
        ValueError, match=r"too little of the 10 to 300 Hz .*'seat 1' starts at 110"
    ):
        room_overview(short)
