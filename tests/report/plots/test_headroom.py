"""Plots of how hard the subwoofer works: what they draw."""

import numpy as np
import pytest
from drawn_plots import (  # noqa: F401
    bars,
    closed_figures,
    cut_off,
    lines,
    overlapping,
    sample_plan,
    texts,
)
from headroom_rooms import EVERYTHING as HEADROOM_TABLES
from headroom_rooms import write_room
from synthetic_rooms import nine_bands

from roomeq.base.bands import third_octave_bands
from roomeq.importers.room import read_room
from roomeq.jobs.propose import propose
from roomeq.optimiser.drive.demand import estimate_extra_drive
from roomeq.optimiser.drive.headroom import BandHeadroom, Headroom
from roomeq.plots import (
    plot_displacement,
    plot_drive,
    plot_extra_drive,
    plot_power,
)
from roomeq.report.plots.headroom import drive_limits_db

BANDS = third_octave_bands(20, 50)


def band_headroom(band, **changes):
    settings = {
        "wanted_db": 100.0,
        "reached_db": 99.0,
        "rise_db": 12.0,
        "voltage": 20.0,
        "power_w": 100.0,
        "displacement": 0.006,
        "amplifier_db": 3.0,
        "displacement_db": 6.0,
        "distortion_db": None,
        "output_db": None,
        "assured_db": None,
    }
    return BandHeadroom(label=band.label, **(settings | changes))


@pytest.fixture
def headroom():
    return Headroom(
        bands=(
            band_headroom(BANDS[0], displacement_db=-6.0, displacement=0.024, rise_db=20.0),
            band_headroom(BANDS[1]),
            band_headroom(BANDS[2], power_w=250.0, amplifier_db=-0.97),
            band_headroom(BANDS[3]),
            band_headroom(BANDS[4]),
        ),
        rated_voltage=28.0,
        room_gain_known=True,
    )


@pytest.fixture
def unknown():
    names = ("voltage", "power_w", "displacement", "amplifier_db", "displacement_db")
    nothing = dict.fromkeys(names)
    return Headroom(
        bands=tuple(band_headroom(band, **nothing) for band in BANDS),
        rated_voltage=None,
        room_gain_known=True,
    )


def limits(ax):
    return [y[0] for _, y in lines(ax, "limit")]


def test_drive(headroom):
    ax = plot_drive(headroom)
    assert [height for *_, height, _ in bars(ax)] == [20.0, 12.0, 12.0, 12.0, 12.0]
    # what is left is added: 20 - 6, 12 + 3, 12 - 0.97 dB
    assert limits(ax) == pytest.approx([14.0, 15.0, 11.03, 15.0, 15.0])
    solid = [patch.get_hatch() in (None, "") for *_, patch in bars(ax)]
    assert solid == [True, False, True, False, False]  # passed its limit
    for (left, right, _, _), band in zip(bars(ax), BANDS, strict=True):
        assert band.lower < left < band.centre < right < band.upper
    assert {"displacement", "amplifier"} <= set(texts(ax))
    assert ax.get_ylabel().endswith("dB above the measurement")
    low, high = ax.get_ylim()
    assert low <= 0
    assert high >= 20.0
    assert not cut_off(ax)


def test_power(headroom):
    ax = plot_power(headroom)
    assert [height for *_, height, _ in bars(ax)] == [100.0, 100.0, 250.0, 100.0, 100.0]
    # 3 dB above 100 W, 0.97 dB below 250 W
    high, low = 100 * 10**0.3, 250 * 10**-0.097
    assert limits(ax) == pytest.approx([high, high, low, high, high])
    assert texts(ax).count("rated") == 1
    assert ax.get_ylabel() == "Power in W"
    assert ax.get_ylim()[0] == 0
    assert not overlapping(ax)


def test_displacement_in_mm(headroom):
    ax = plot_displacement(headroom)
    assert [height for *_, height, _ in bars(ax)] == pytest.approx([24.0, 6.0, 6.0, 6.0, 6.0])
    # 6 dB below 24 mm, 6 dB above 6 mm
    assert limits(ax) == pytest.approx([24 * 10**-0.3, *[6 * 10**0.3] * 4])
    assert ax.get_ylabel() == "Displacement in mm peak"
    assert "largest" in texts(ax)


@pytest.mark.parametrize("plot", [plot_power, plot_displacement])
def test_what_is_not_known_is_said(plot, unknown):
    with pytest.raises(ValueError, match="measuring voltage are not known"):
        plot(unknown)


def test_one_unknown_band_is_said(headroom):
    known = list(headroom.bands)
    known[3] = band_headroom(BANDS[3], power_w=None, amplifier_db=None)
    ax = plot_power(Headroom(bands=tuple(known), rated_voltage=28.0, room_gain_known=True))
    assert len(bars(ax)) == 4
    (mark,) = [entry for entry in ax.texts if entry.get_text().strip() == "not known"]
    assert mark.get_position()[0] == pytest.approx(BANDS[3].centre)


def test_drive_without_any_limit(unknown):
    ax = plot_drive(unknown)
    assert limits(ax) == []
    assert len(bars(ax)) == len(BANDS)


@pytest.mark.parametrize("plot", [plot_drive, plot_power, plot_displacement])
def test_nothing_to_plot(plot):
    with pytest.raises(ValueError, match="not known"):
        plot(Headroom(bands=(), rated_voltage=None, room_gain_known=True))
    with pytest.raises(ValueError, match="at least one band"):
        plot_extra_drive(())


def test_extra_drive():
    gains = np.array([0.0, 0.0, -8.0, 0.0, 0.0, 3.0, 0.0, 0.0, 0.0])
    extras = estimate_extra_drive(nine_bands(), gains, level_change_db=2.0)
    ax = plot_extra_drive(extras)
    assert [height for *_, height, _ in bars(ax)] == [entry.extra_db for entry in extras]
    written = [text for text in texts(ax) if text.startswith("×")]
    assert written == [f"×{10 ** (entry.extra_db / 10):.1f}" for entry in extras]
    assert ax.get_ylabel() == "Extra drive in dB"
    low, high = ax.get_ylim()
    assert low <= min(entry.extra_db for entry in extras)
    assert high >= max(entry.extra_db for entry in extras)
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_extra_drive_has_its_limits():
    extras = estimate_extra_drive(nine_bands(), np.zeros(9), level_change_db=2.0)
    ax = plot_extra_drive(extras, limits_db=[3.0, *[6.0] * 8])
    assert limits(ax) == [3.0, *[6.0] * 8]
    for (x, _), entry in zip(lines(ax, "limit"), extras, strict=True):
        assert entry.band.lower < x[0] < entry.band.centre < x[1] < entry.band.upper
    assert any("drive limit" in text for text in texts(ax))
    assert ax.get_ylim()[1] >= 6.0
    with pytest.raises(ValueError, match="a limit for each"):
        plot_extra_drive(extras, limits_db=[3.0])
    assert limits(plot_extra_drive(extras)) == []


@pytest.mark.parametrize("name", ["lakeside_cabin", "rented_hall", "ferry_office"])
def test_a_proposal_keeps_below_the_limits_that_are_drawn(name):
    plan = sample_plan(name)[1]
    limits_db = drive_limits_db(plan)
    assert limits_db[0] is None  # the band at 20 Hz begins at 17.8 Hz, below any signal
    # README: 6 dB at most unless stated; `Limits`: 3 dB at most where nothing is boosted
    floor = plan.evidence.no_boost_below
    rest = plan.extra_drive[1:]
    assert limits_db[1:] == [3.0 if entry.band.upper <= floor else 6.0 for entry in rest]
    assert all(entry.extra_db <= most for entry, most in zip(rest, limits_db[1:], strict=True))
    ax = plot_extra_drive(plan.extra_drive, limits_db=limits_db)
    assert limits(ax) == limits_db[1:]


def test_limits_by_the_headroom_count_from_the_settings_in_force(tmp_path):
    stated = HEADROOM_TABLES + 'drive_limit = "headroom"\n'
    folder = write_room(tmp_path, stated)
    text = (folder / "room.toml").read_text("utf-8")
    (folder / "room.toml").write_text(
        text.replace("gains_db = [0, 0, 0, 0, 0, 0", "gains_db = [0, 0, 0, 0, 0, -6"), "utf-8"
    )
    plan = propose(read_room(folder), node_limit=1)
    curves = plan.curves
    louder = np.average(curves.present_response_db, weights=curves.frequency_weights)
    assert louder < -0.3
    by_label = {row.label: row.drive_limit_db for row in plan.headroom.bands}
    found = drive_limits_db(plan)
    # the protective high-pass of the room is at 20 Hz: the band at 25 Hz lies above it
    assert found[0] is None
    assert None not in found[1:]
    for entry, limit in zip(plan.extra_drive, found, strict=True):
        if (
            limit is not None
            and entry.band.lower > plan.evidence.no_boost_below
            and entry.label in by_label
        ):
            assert limit == pytest.approx(by_label[entry.label] + louder)


def test_drive_without_limits_says_so(unknown):
    assert any("not known" in text.replace("\n", " ") for text in texts(plot_drive(unknown)))
