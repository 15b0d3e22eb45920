"""Wrong texts and wrong rooms through the command line, and clean rooms that raise nothing.

Cases, and the truth they depart from, come from code that shares nothing with the library.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_wrong_inputs import judge_room, judge_text, run
from invented_rooms import clean_room
from wrong_rooms import WRONG_ROOMS, WrongRoom
from wrong_texts import WRONG_TEXTS, WrongText

SLOW = {"100 MB"}  # see test_decoding
TEXTS = [case for case in WRONG_TEXTS if case.name not in SLOW]


@pytest.mark.parametrize("case", TEXTS, ids=[case.name for case in TEXTS])
def test_a_wrong_text_is_noticed(case: WrongText, tmp_path: Path) -> None:
    good, why, printed = judge_text(case, 1, tmp_path / "room")
    assert good, f"{why}\n{printed}"


@pytest.mark.parametrize("case", WRONG_ROOMS, ids=[case.name for case in WRONG_ROOMS])
def test_a_wrong_room_is_noticed(case: WrongRoom, tmp_path: Path) -> None:
    good, why, printed = judge_room(case, 1, tmp_path / "room")
    assert good, f"{why}\n{printed}"


@pytest.mark.parametrize("seed", range(500, 512))
def test_a_clean_room_raises_nothing(seed: int, tmp_path: Path) -> None:
    status, printed = run("check", clean_room(seed).write(tmp_path / "room"))
    assert status == 0, printed
    assert "Found: nothing that looks wrong" in printed
