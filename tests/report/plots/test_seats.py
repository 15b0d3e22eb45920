"""Plots of the seats: what they draw."""

import itertools

import numpy as np
import pytest
from drawn_plots import bars, closed_figures, cut_off, line, overlapping, texts, title  # noqa: F401
from matplotlib import pyplot as plt

from roomeq.analysis.seats import estimate_seat_statistics
from roomeq.analysis.survey_levels import survey_signal_to_noise
from roomeq.base.bands import third_octave_bands
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.plots import (
    plot_seat_differences,
    plot_seats,
    plot_signal_to_noise,
)
from roomeq.report.plots.seats import seat_letters

AXIS = np.geomspace(20.0, 160.0, 73)
SEATS = ("sofa", "bench", "stool")
LEVELS = np.array(
    [
        80.0 + 6.0 * np.sin(np.log2(AXIS)),
        78.0 + 5.0 * np.cos(2.0 * np.log2(AXIS)),
        75.0 + 4.0 * np.sin(3.0 * np.log2(AXIS)),
    ]
)


@pytest.fixture
def statistics():
    return estimate_seat_statistics(AXIS, LEVELS, seats=SEATS)


def outline(collection):
    return np.concatenate([path.vertices for path in collection.get_paths()])


def test_seats_average_and_spread(statistics):
    ax = plot_seats(statistics, LEVELS, level_reference="spl")
    for seat, row in zip(SEATS, LEVELS, strict=True):
        x, y = line(ax, f"?  {seat}")
        assert np.array_equal(x, AXIS)
        assert np.array_equal(y, row)
    mean, spread = LEVELS.mean(axis=0), LEVELS.std(axis=0)
    assert line(ax, "level mean*")[1] == pytest.approx(mean)
    band = outline(ax.collections[0])
    for frequency, low, high in zip(AXIS, mean - spread, mean + spread, strict=True):
        at = band[np.isclose(band[:, 0], frequency), 1]
        assert at.min() == pytest.approx(low)
        assert at.max() == pytest.approx(high)
    assert ax.get_ylabel() == "Level in dB SPL"
    assert ax.get_xlabel() == "Frequency in Hz"
    assert ax.get_xlim() == (AXIS[0], pytest.approx(AXIS[-1]))
    low, high = ax.get_ylim()
    assert low <= LEVELS.min()
    assert high >= LEVELS.max()
    assert not cut_off(ax)


def test_seats_are_named_and_carry_their_letter(statistics):
    ax = plot_seats(statistics, LEVELS)
    written = texts(ax)
    assert {"A  sofa", "B  bench", "C  stool", "level mean ± s.d."} <= set(written)
    for letter, row in zip("ABC", LEVELS, strict=True):
        marks = [entry for entry in ax.texts if entry.get_text() == letter]
        assert len(marks) == 2
        for mark in marks:  # on its own line
            x, y = mark.get_position()
            assert y == row[np.argmin(np.abs(AXIS - x))]
    assert ax.get_ylabel() == "Level in dB, relative"
    patterns = {str(entry._dash_pattern) for entry in ax.lines if entry.get_label()[3:] in SEATS}
    assert len(patterns) == 3


def test_one_seat_alone():
    alone = estimate_seat_statistics(AXIS, LEVELS[:1], seats=SEATS[:1])
    ax = plot_seats(alone, LEVELS[:1])
    assert np.array_equal(line(ax, "A  sofa")[1], line(ax, "level mean*")[1])
    assert len(plot_seat_differences(alone, LEVELS[:1]).collections) == 2


def test_given_axes_are_used(statistics):
    figure, (first, second) = plt.subplots(1, 2, figsize=(9, 5))
    assert plot_seats(statistics, LEVELS, ax=first) is first
    assert plot_seat_differences(statistics, LEVELS, ax=second) is second
    assert figure.get_size_inches().tolist() == [9, 5]


@pytest.mark.parametrize("plot", [plot_seats, plot_seat_differences])
@pytest.mark.parametrize("levels", [LEVELS[:2], LEVELS[:, :5], np.full(LEVELS.shape, np.nan)])
def test_levels_must_fit(statistics, plot, levels):
    with pytest.raises(ValueError, match="level_db must be finite and have shape"):
        plot(statistics, levels)
    assert not plt.get_fignums()


def test_differences_have_a_lane_each(statistics):
    ax = plot_seat_differences(statistics, LEVELS)
    difference = LEVELS - LEVELS.mean(axis=0)
    places = ax.get_yticks()
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        "sofa  A",
        "bench  B",
        "stool  C",
    ]
    curves = [e for e in ax.lines if len(e.get_xdata()) == AXIS.size]
    assert len(curves) == len(SEATS)
    for place, row, curve in zip(places, difference, curves, strict=True):
        assert np.asarray(curve.get_ydata()) - place == pytest.approx(row, abs=1e-9)
    gaps = -np.diff(places)
    assert gaps == pytest.approx(gaps[0])
    drawn = [np.asarray(curve.get_ydata()) for curve in curves]
    assert all((upper > lower).all() for upper, lower in itertools.pairwise(drawn))
    low, high = ax.get_ylim()
    assert low <= min(row.min() for row in drawn)
    assert high >= max(row.max() for row in drawn)


def test_differences_tell_above_from_below_without_colour(statistics):
    ax = plot_seat_differences(statistics, LEVELS)
    place = ax.get_yticks()[0]
    above, below = ax.collections[:2]
    assert outline(above)[:, 1].min() >= place - 1e-9
    assert outline(below)[:, 1].max() <= place + 1e-9
    assert not above.get_hatch()
    assert below.get_hatch()
    assert {"filled: louder", "hatched: quieter"} <= set(texts(ax))


def test_the_scale_bar_is_as_long_as_it_says(statistics):
    mean = statistics.level_mean_db
    for levels, lane, bar in ((LEVELS, 10.0, 5.0), (mean + 3.0 * (LEVELS - mean), 20.0, 10.0)):
        ax = plot_seat_differences(statistics, levels)
        assert f"{bar:.0f} dB" in texts(ax)
        ends = line(ax, "scale")[1]
        assert ends[1] - ends[0] == bar
        assert -np.diff(ax.get_yticks()) == pytest.approx([lane, lane])


def test_signal_to_noise_by_band():
    bands = third_octave_bands(20, 50)
    snr = np.array([[8.0, 15.0, 30.0, np.nan, 35.0], [9.0, 12.0, 25.0, np.nan, 41.0]])
    ax = plot_signal_to_noise([band.centre for band in bands], snr, seats=["sofa", "bench"])
    drawn = bars(ax)
    assert [height for *_, height, _ in drawn] == [8.0, 12.0, 25.0, 35.0]  # the worst seat
    known = [band for index, band in enumerate(bands) if index != 3]
    for (left, right, _, _), band in zip(drawn, known, strict=True):
        assert band.lower < left < band.centre < right < band.upper
    hatches = [patch.get_hatch() for *_, patch in drawn]
    assert len(set(hatches[:3])) == 3  # ignored, in part, in full
    assert hatches[2] == hatches[3]
    written = texts(ax)
    assert written.count("not known") == 1
    assert [t for t in written if t in "AB"] == ["A", "B", "B", "A"]
    assert not any("?" in text for text in written)  # where one is known, both are
    assert "A  sofa\nB  bench" in written
    assert {"below: ignored", "above: counts in full"} <= set(written)
    levels = [e.get_ydata()[0] for e in ax.lines if len(set(e.get_ydata())) == 1]
    assert {10.0, 20.0} <= set(levels)  # roomeq.optimiser.bands.fit_data
    assert ax.get_ylabel() == "Signal over noise in dB"
    assert not cut_off(ax)
    with pytest.raises(ValueError, match="shape"):
        plot_signal_to_noise([20.0, 25.0], snr, seats=["sofa", "bench"])


def test_a_seat_whose_noise_is_not_known_is_no_worst():
    snr = np.array([[30.0, 8.0], [np.nan, 20.0], [np.nan, np.nan]])
    ax = plot_signal_to_noise([50.0, 63.0], snr, seats=["sofa", "bench", "loft"])
    assert [height for *_, height, _ in bars(ax)] == [30.0, 8.0]
    assert [t for t in texts(ax) if t in ("A?", "B?", "C?", "A", "B", "C")] == ["A?", "A?"]
    (key,) = [text for text in texts(ax) if "loft" in text]
    assert key.split("\n") == ["A  sofa", "B  bench", "C  loft: not known", "?  of the known seats"]
    assert not cut_off(ax)


def test_letters_go_on_after_z():
    assert seat_letters(29)[24:] == ("Y", "Z", "AA", "AB", "AC")


def test_signal_to_noise_of_a_survey_is_drawn_as_it_was_measured():
    axis = np.arange(15.0, 65.0, 0.5)
    survey = Survey(
        measurements=tuple(
            Measurement(
                seat=seat,
                response=FrequencyResponse.from_level(
                    axis, np.full(axis.size, 80.0), snr_db=np.full(axis.size, snr)
                ),
            )
            for seat, snr in (("sofa", 22.0), ("bench", 14.0))
        )
    )
    found = survey_signal_to_noise(survey)
    ax = plot_signal_to_noise(found.columns, found, seats=list(found.index))
    assert [height for *_, height, _ in bars(ax)] == pytest.approx([14.0] * 7)  # 16 to 63 Hz
    assert [t for t in texts(ax) if t in "AB"] == ["B"] * 7
    assert "A  sofa\nB  bench" in texts(ax)
