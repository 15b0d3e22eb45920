"""Plots of how hard the subwoofer works: what they draw."""

import numpy as np
import pytest
from drawn_plots import bars, closed_figures, cut_off, line, lines, overlapping, texts  # noqa: F401
from matplotlib import pyplot as plt
from synthetic_rooms import nine_bands

from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.base.bands import third_octave_bands
from roomeq.optimiser.drive.demand import estimate_extra_drive
from roomeq.optimiser.drive.headroom import BandHeadroom, Headroom
from roomeq.plots import (
    plot_displacement,
    plot_distortion,
    plot_drive,
    plot_extra_drive,
    plot_power,
)

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
    return BandHeadroom(band=band, **(settings | changes))


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
    assert limits(ax) == pytest.approx([199.5, 199.5, 199.96, 199.5, 199.5], rel=1e-3)
    assert texts(ax).count("rated") == 1
    assert ax.get_ylabel() == "Power in W"
    assert ax.get_ylim()[0] == 0
    assert not overlapping(ax)


def test_displacement_in_mm(headroom):
    ax = plot_displacement(headroom)
    assert [height for *_, height, _ in bars(ax)] == pytest.approx([24.0, 6.0, 6.0, 6.0, 6.0])
    assert limits(ax) == pytest.approx([12.03, 11.97, 11.97, 11.97, 11.97], rel=1e-3)
    assert ax.get_ylabel() == "Displacement in mm peak"
    assert "largest" in texts(ax)


@pytest.mark.parametrize("plot", [plot_power, plot_displacement])
def test_what_is_not_known_is_said(plot, unknown):
    ax = plot(unknown)
    assert bars(ax) == []
    assert texts(ax) == ["not known"]
    assert ax.get_yticks().size == 0


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
    with pytest.raises(ValueError, match="at least one band"):
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


def distortion():
    axis = np.geomspace(20.0, 160.0, 60)
    ratios = 10.0 ** (np.array([0.0, -20.0, -30.0, -60.0, np.nan]) / 20.0)
    harmonics = ratios[:, np.newaxis] * np.ones((5, 60), dtype=complex)
    noise = np.full((5, 60), 1e-3)
    noise[2, :30] = 0.1
    return Distortion(frequencies=axis, harmonics=harmonics, noise=noise, window_lengths=(1.0,) * 5)


def test_distortion():
    found = distortion()
    ax = plot_distortion(found)
    x, second = line(ax, "2nd")
    assert np.array_equal(x, found.frequencies)
    assert second == pytest.approx(-20.0)
    third = line(ax, "3rd")[1]
    assert np.isnan(third[:30]).all()  # below the noise: only the thin line
    assert third[30:] == pytest.approx(-30.0)
    thin = [e for e in ax.lines if e.get_linewidth() == 0.5]
    assert [e.get_ydata()[0] for e in thin] == pytest.approx([-20.0, -30.0, -60.0])
    assert np.isnan(line(ax, "4th")[1]).all()
    assert lines(ax, "5th") == []  # nothing known
    # second to fifth harmonic of CTA-2010, as roomeq.optimiser.drive.clean_drive quotes them
    assert limits(ax) == [-10.0, -15.0, -20.0]
    assert "limit 4th and 5th −20 dB" in texts(ax)
    assert "2nd harmonic" in texts(ax)
    assert ax.get_ylabel() == "Harmonic relative to the fundamental in dB"
    assert not cut_off(ax)
    assert not overlapping(ax)


def test_distortion_without_limits_on_given_axes():
    _, ax = plt.subplots()
    assert plot_distortion(distortion(), limits_db=None, ax=ax) is ax
    assert limits(ax) == []


def test_no_distortion_known():
    found = distortion()
    empty = Distortion(
        frequencies=found.frequencies,
        harmonics=np.full((5, 60), complex(np.nan, np.nan)),
        noise=found.noise,
        window_lengths=found.window_lengths,
    )
    with pytest.raises(ValueError, match="nothing is known"):
        plot_distortion(empty)
