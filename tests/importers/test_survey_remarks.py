"""What is said about a survey: what looks wrong, and what does not.

Repeatability: the pooled standard deviation of the statistics handbooks, by Python's own.

Pooled variance: sum of (n_i - 1) s_i^2 over the sum of (n_i - 1); s_i^2 from `statistics.variance`.
"""

import math
import statistics
from dataclasses import replace

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES

from roomeq.base.bands import third_octave_bands
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.importers.survey_remarks import (
    doubtful_levels,
    estimate_repeatability_db,
    file_notes,
    repeatability_notes,
    same_recording,
    same_recordings,
)


def measured(seat, frequencies, level_db, **changes):
    response = FrequencyResponse.from_level(frequencies, level_db, **changes)
    return Measurement(seat=seat, response=response, file=f"{seat}.txt")


WAVE = 70 + np.sin(FREQUENCIES)


def test_a_handful_of_points_is_doubtful():
    # two points in each of the nine third octaves from 20 to 125 Hz (common practice, no source)
    few = np.geomspace(20, 125, 15)
    enough = np.geomspace(20, 125, 16)
    said = list(doubtful_levels([measured("sofa", few, few), measured("chair", enough, enough)]))
    assert said == [
        "'sofa' (sub, sofa.txt) has 15 points from 20 to 125 Hz: too coarse, what lies between "
        "them is not known"
    ]
    # points outside the span help nobody
    outside = np.geomspace(130, 4000, 500)
    assert len(list(doubtful_levels([measured("sofa", outside, outside)]))) == 1


def test_the_same_level_everywhere_is_doubtful():
    said = list(doubtful_levels([measured("sofa", FREQUENCIES, np.zeros(FREQUENCIES.size))]))
    assert said == [
        "'sofa' (sub, sofa.txt) has the same level from 20.05 to 400 Hz: was the right column "
        "read, and was the file written whole?"
    ]
    assert list(doubtful_levels([measured("sofa", FREQUENCIES, WAVE)])) == []


def test_band_levels_are_few_by_nature():
    centres = 10 ** (np.arange(13, 22) / 10)  # IEC 61260-1, 20 to 125 Hz
    bands = measured("sofa", centres, np.full(9, 70.0), resolution="third_octave")
    assert list(doubtful_levels([bands])) == []


def test_the_very_same_recording_is_named_once():
    copies = [measured(seat, FREQUENCIES, WAVE) for seat in ("a", "b", "c")]
    other = measured("d", FREQUENCIES, WAVE + 0.01 * np.cos(FREQUENCIES))
    said = list(same_recordings([*copies, other]))
    assert len(said) == 2
    assert all(text.startswith("'a' (sub, a.txt) and") for text in said)


@pytest.mark.parametrize(
    ("played", "named"),
    [
        (("sub", "mains", "both"), False),
        (("sub", "sub", "both"), True),
        (("mains", "mains", "both"), True),
        # told by the sum of the parts, and where the mains are weak no fault at all
        (("sub", "mains", "sub"), False),
        (("sub", "alike", "both"), False),
    ],
)
def test_one_loudspeaker_in_what_is_said_to_be_of_two_is_named(played, named):
    rng = np.random.default_rng(12)
    octaves = np.log2(FREQUENCIES / 80.0)
    fall, ripple = 10.0 * np.logaddexp2(0.0, 8.0 * octaves), 4.0 * np.sin(9.0 * octaves)
    levels = {"sub": 80.0 - fall + ripple, "mains": 80.0 - fall[::-1] - ripple}
    levels["both"] = 10.0 * np.log10(sum(10.0 ** (level / 10.0) for level in levels.values()))
    levels["alike"] = levels["sub"] + 2.7 * np.sin(3.0 * octaves)  # as near as no two ever are
    given = [
        Measurement(
            seat="sofa",
            source=source,
            response=FrequencyResponse.from_level(
                FREQUENCIES, levels[what] + rng.normal(0.0, 0.5, FREQUENCIES.size)
            ),
            file=f"{source}.txt",
        )
        for source, what in zip(("sub", "mains", "both"), played, strict=True)
    ]
    start = "'sofa' (sub, sub.txt) and 'sofa' (mains, mains.txt) run alike within "
    assert [text.startswith(start) for text in same_recordings(given)] == [True] * named
    elsewhere = [replace(one, seat=f"seat {number}") for number, one in enumerate(given)]
    assert list(same_recordings(elsewhere)) == []


@pytest.mark.parametrize(
    ("stated", "repeated", "said"),
    [
        (None, None, ["the repeatability is not known"]),
        (0.3, None, []),
        (None, 0.25, ["repeats of a seat lie 0.25 dB apart"]),
        (0.3, 0.25, ["repeats of a seat lie 0.25 dB apart", "the stated repeatability of 0.3 dB"]),
    ],
)
def test_repeatability_and_where_it_is_from(stated, repeated, said):
    found = list(repeatability_notes(stated, repeated))
    assert len(found) == len(said)
    assert all(text.startswith(start) for text, start in zip(found, said, strict=True))


def test_notes_carry_their_file():
    entry = measured("sofa", FREQUENCIES, WAVE)
    noted = Measurement(seat="sofa", response=entry.response, file="x.txt", notes=("one", "two"))
    assert list(file_notes([noted])) == ["x.txt: one", "x.txt: two"]


BANDS = third_octave_bands(20.0, 125.0)
CENTRES = [band.centre for band in BANDS]
RNG = np.random.default_rng(5)
TAKES = 75.0 + RNG.normal(0.0, 0.5, (3, 9))
OTHER = 70.0 + RNG.normal(0.0, 1.0, (2, 9))


def _bands(levels, centres=CENTRES):
    return FrequencyResponse.from_level(centres, levels, resolution="third_octave")


def _survey(*takes, comparable=True):
    measurements = tuple(
        Measurement(seat=seat, source=source, route=route, response=response)
        for seat, source, route, response in takes
    )
    return Survey(measurements=measurements, levels_comparable=comparable)


def _all(comparable=True):
    first = [("left", "sub", "unknown", _bands(take)) for take in TAKES]
    second = [("right", "sub", "unknown", _bands(take)) for take in OTHER]
    return _survey(*first, *second, comparable=comparable)


def test_comparable_levels_give_the_pooled_standard_deviation():
    variances = [2 * statistics.variance(column) for column in TAKES.T.tolist()]
    variances += [statistics.variance(column) for column in OTHER.T.tolist()]
    expected = math.sqrt(sum(variances) / (9 * 2 + 9 * 1))
    assert estimate_repeatability_db(_all()) == pytest.approx(expected, rel=1e-12)


def test_an_offset_counts_only_where_levels_are_comparable():
    shifted = TAKES + np.array([[0.0], [6.0], [-3.0]])
    takes = [("left", "sub", "unknown", _bands(take)) for take in shifted]
    plain = [("left", "sub", "unknown", _bands(take)) for take in TAKES]
    without = estimate_repeatability_db(_survey(*plain, comparable=False))
    assert without is not None
    assert estimate_repeatability_db(_survey(*takes, comparable=False)) == pytest.approx(without)
    assert estimate_repeatability_db(_survey(*takes)) > 3.0
    residual = TAKES - TAKES.mean(axis=1, keepdims=True)
    squares = sum(2 * statistics.variance(column) for column in residual.T.tolist())
    assert without == pytest.approx(math.sqrt(squares / (2 * 8)), rel=1e-12)


def test_narrow_responses_are_averaged_in_power_over_the_logarithm_of_frequency():
    # Power rising as f: its mean over d ln f from f1 to f2 is (f2 - f1) / ln(f2 / f1), in closed
    # form; flat stays flat. Two takes x apart have the variance x^2 / 2.
    axis = np.geomspace(15.0, 160.0, 4000)
    flat = FrequencyResponse.from_level(axis, np.zeros(axis.size))
    rising = FrequencyResponse.from_level(axis, 10.0 * np.log10(axis))
    differences = [
        10.0 * math.log10((band.upper - band.lower) / math.log(band.upper / band.lower))
        for band in BANDS
    ]
    expected = math.sqrt(sum(x * x / 2.0 for x in differences) / 9)
    survey = _survey(("left", "sub", "unknown", flat), ("left", "sub", "unknown", rising))
    assert estimate_repeatability_db(survey) == pytest.approx(expected, abs=1e-5)


def test_only_bands_that_every_repeat_covers_count():
    axis = np.geomspace(30.0, 160.0, 500)  # whole bands from 40 to 125 Hz
    one = FrequencyResponse.from_level(axis, np.zeros(500))
    two = FrequencyResponse.from_level(axis, np.ones(500))
    survey = _survey(("left", "sub", "unknown", one), ("left", "sub", "unknown", two))
    assert estimate_repeatability_db(survey) == pytest.approx(math.sqrt(0.5), abs=1e-9)
    mixed = _survey(("left", "sub", "unknown", one), ("left", "sub", "unknown", _bands([1.0] * 9)))
    assert estimate_repeatability_db(mixed) == pytest.approx(math.sqrt(0.5), abs=1e-9)


def test_other_seats_sources_and_routes_are_no_repeats():
    one, two = _bands(TAKES[0]), _bands(TAKES[1])
    for other in (
        ("right", "sub", "unknown", two),
        ("left", "mains", "unknown", two),
        ("left", "sub", "direct", two),
    ):
        assert estimate_repeatability_db(_survey(("left", "sub", "unknown", one), other)) is None


def test_the_same_recording_twice_is_no_repeat():
    one = _bands(TAKES[0])
    twice = [("left", "sub", "unknown", one), ("left", "sub", "unknown", _bands(TAKES[0]))]
    assert estimate_repeatability_db(_survey(*twice)) is None
    pair = [twice[0], ("left", "sub", "unknown", _bands(TAKES[1]))]
    three = [*twice, pair[1]]
    assert estimate_repeatability_db(_survey(*three)) == estimate_repeatability_db(_survey(*pair))


def test_too_few_common_bands_tell_nothing():
    high = FrequencyResponse.from_level([200.0, 400.0], [0.0, 0.0])
    other = FrequencyResponse.from_level([200.0, 400.0], [1.0, 0.0])
    survey = _survey(("left", "sub", "unknown", high), ("left", "sub", "unknown", other))
    assert estimate_repeatability_db(survey) is None
    one_band = [_bands([level], CENTRES[:1]) for level in (70.0, 71.0)]
    takes = [("left", "sub", "unknown", response) for response in one_band]
    assert estimate_repeatability_db(_survey(*takes, comparable=False)) is None
    assert estimate_repeatability_db(_survey(*takes)) == pytest.approx(math.sqrt(0.5))


def test_same_recording_means_the_very_same_values():
    one = FrequencyResponse.from_level([20.0, 40.0], [0.0, 0.0])
    assert same_recording(one, FrequencyResponse.from_level([20.0, 40.0], [0.0, 0.0]))
    assert not same_recording(one, FrequencyResponse.from_level([20.0, 40.0], [0.0, 0.01]))
    assert not same_recording(one, FrequencyResponse.from_level([20.0, 41.0], [0.0, 0.0]))
    with_phase = FrequencyResponse.from_level([20.0, 40.0], [0.0, 0.0], phase_deg=[0.0, 0.0])
    assert not same_recording(one, with_phase)
