"""The sample room with two subwoofers: it holds what its story says, and setting them mends it."""

from __future__ import annotations

import csv
import importlib
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from roomeq.importers.room import read_room
from roomeq.importers.room_file.reading import read_room_file
from roomeq.importers.text.export import read_text_export
from roomeq.room.room import Room

SAMPLES = Path(__file__).parents[1] / "sample_measurements"
FOUNDRY = SAMPLES / "bell_foundry"
SEATS = ["settle left", "settle middle", "settle right", "coal box"]


def sample_module(name: str) -> ModuleType:
    sys.path.insert(0, str(SAMPLES))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.remove(str(SAMPLES))


def truth(table: str) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    with (FOUNDRY / "truth" / f"{table}.csv").open(newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    axis, *columns = np.array(rows, dtype=np.float64).T
    names = [name.removesuffix(" level_db") for name in header[1::2]]
    pairs = zip(names, columns[::2], columns[1::2], strict=True)
    return axis, {
        name: 10.0 ** (level / 20.0) * np.exp(1j * np.deg2rad(phase))
        for name, level, phase in pairs
    }


def wired() -> dict[str, float]:
    lines = (FOUNDRY / "truth" / "wiring.csv").read_text("utf-8").splitlines()[1:]
    return {row.split(",")[0]: -1.0 if "inverted" in row else 1.0 for row in lines}


@pytest.fixture(scope="module")
def room() -> Room:
    return read_room(FOUNDRY)


def test_the_room_file_knows_the_seats_and_nothing_of_the_wire() -> None:
    file, hidden = read_room_file(FOUNDRY), sample_module("make_rooms").ROOMS["bell_foundry"]
    assert [seat.name for seat in file.seats] == list(hidden.places) == SEATS
    assert {one.name: one.present.polarity for one in file.subwoofers} == dict.fromkeys(
        hidden.several.subwoofers, "normal"
    )
    assert wired() == {"furnace": 1.0, "gate": -1.0}
    tried = dict.fromkeys(entry.place for entry in file.measurements if entry.place)
    assert list(tried) == list(hidden.several.tried)
    assert file.room is not None
    sides = (file.room.length, file.room.width, file.room.height)
    sources = [one.source for one in hidden.several.subwoofers.values()]
    for place in (*sources, *hidden.several.tried.values(), *hidden.places.values()):
        assert all(0.2 <= at <= side - 0.2 for at, side in zip(place, sides, strict=True))
    # a closed box with Q 0.707 is 6 dB down at the fourth root of a third of its corner
    assert file.target.lower_limit == pytest.approx(hidden.box_corner / 3**0.25, abs=0.02)


def test_nothing_is_found_wrong_with_what_was_measured(room: Room) -> None:
    assert room.findings == ()
    assert [one.name for one in room.subwoofers] == ["furnace", "gate"]
    assert [one.name for one in room.places] == [
        "under the crane", "pattern shelf", "behind the settle",
    ]  # fmt: skip
    assert len(room.notes) == len(set(room.notes))


def assert_within_noise(file: str, axis: np.ndarray, expected: np.ndarray) -> None:
    """Noise of root mean square n is exceeded 4.5 times once in 1e9; two decimals are printed."""
    read = read_text_export(FOUNDRY / file).responses[0].pressure
    off = np.abs(read - expected * truth("chain")[1]["microphone"])
    noise_db = sample_module("signal_chain").room_noise_db(axis, at_20_hz_db=44.0)
    assert (off < 4.5 * 10.0 ** (noise_db / 20.0) + 2e-3 * np.abs(expected)).all()
    assert off.max() > 0.0


@pytest.mark.parametrize("name", ["furnace", "gate", "mains"])
def test_files_hold_the_truth_within_the_noise(name: str) -> None:
    axis, true = truth(name)
    for seat in SEATS:
        assert_within_noise(f"{name}_{seat.replace(' ', '_')}.txt", axis, true[seat])


def test_both_together_are_the_sum_and_less_than_either_alone() -> None:
    axis, furnace = truth("furnace")
    gate = truth("gate")[1]
    for seat in ("settle middle", "coal box"):
        file = f"all_{seat.replace(' ', '_')}.txt"
        assert_within_noise(file, axis, furnace[seat] + gate[seat])
    deep = (axis > 45.0) & (axis < 56.0)
    powers = [
        np.mean([np.abs(part[seat][deep]) ** 2 for seat in SEATS])
        for part in (furnace, gate, {seat: furnace[seat] + gate[seat] for seat in SEATS})
    ]
    assert powers[2] < 0.5 * min(powers[:2])
