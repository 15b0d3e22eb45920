"""What is said about a survey: what looks wrong, and what does not."""

import numpy as np
import pytest
from synthetic_rooms import FREQUENCIES

from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement
from roomeq.importers.survey_remarks import (
    assumptions_for_exports,
    doubtful_levels,
    file_notes,
    repeatability_notes,
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
        "'sofa' (sub, sofa.txt) has the same level at every frequency: was the right column read?"
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


def test_a_bare_list_says_what_played_only_where_it_was_assumed():
    alone = "what played is not stated: taken for the subwoofer alone"
    assert alone in assumptions_for_exports("sub")
    assert alone not in assumptions_for_exports("both")


def test_notes_carry_their_file():
    entry = measured("sofa", FREQUENCIES, WAVE)
    noted = Measurement(seat="sofa", response=entry.response, file="x.txt", notes=("one", "two"))
    assert list(file_notes([noted])) == ["x.txt: one", "x.txt: two"]
