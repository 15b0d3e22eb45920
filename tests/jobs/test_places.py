"""Places as they are told: what two alike give in closed form, and what one seat cannot tell."""

import numpy as np
import pytest
from subwoofer_rooms import HEAD, SEATS, echoes, entry, write_response

from roomeq.importers.room import read_room
from roomeq.jobs.places import rank_places
from roomeq.optimiser.several import places
from roomeq.report.text.several import places_text

AT = echoes(3)


@pytest.fixture(autouse=True)
def few_evaluations(monkeypatch):
    for name in ("COARSE_EVALUATIONS", "AGAIN_EVALUATIONS", "FULL_EVALUATIONS"):
        monkeypatch.setattr(places, name, 400)


def room_of(folder, tried, *, seats, more=""):
    text = HEAD + more
    for place, rows in tried.items():
        for seat, row in zip(SEATS[:seats], rows, strict=False):
            write_response(folder / f"{place} {seat}.txt", row)
            text += entry(f"{place} {seat}.txt", seat, place=place)
    (folder / "room.toml").write_text(text, encoding="utf-8")
    return read_room(folder)


def test_two_alike_are_6_db_louder_and_no_more_even(tmp_path):
    """Pressures of equal sources in phase add: 20 lg 2 more, where no output may be given up."""
    held = "[limits]\noutput_given_up_db = 0\n"
    found = rank_places(room_of(tmp_path, {"here": AT, "beside": AT}, seats=3, more=held))
    one, both = found.of_size(1)[0], found.of_size(2)[0]
    assert max(choice.output_db for choice in found.choices) == both.output_db == 0.0
    assert one.output_db == pytest.approx(-20.0 * np.log10(2.0), abs=0.05)
    assert both.deviation_db == pytest.approx(one.deviation_db, abs=0.05)
    assert min(setting.delay_ms for setting in both.settings) == 0.0
    assert not any("one seat" in text for text in found.assumptions)
    assert "2 places, 3 seats" in places_text(found)


def test_one_seat_is_said_to_speak_for_all(tmp_path):
    found = rank_places(room_of(tmp_path, {"here": AT, "there": echoes(4)}, seats=1))
    assert found.assumptions[0].startswith("one seat speaks for all")
    assert "2 places, 1 seat\n" in places_text(found)
    assert all(choice.variation_db == 0.0 for choice in found.choices)
