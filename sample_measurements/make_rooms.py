"""Make the sample rooms: measurement files as a calibrator would bring them, and the truth beside.

``python sample_measurements/make_rooms.py`` rewrites the rooms where they are;
``... make_rooms.py FOLDER`` makes them in another folder. What the calibrator knows (seats, files,
settings in force, dimensions) is read from each room's ``room.toml``, which stays as it is; what
only we know (places, decay, box, microphone) is in `hidden_rooms`.

Conventions
-----------
Lengths in m, frequencies in Hz. A pressure is in units of 20 micropascals, so that 20 lg of it is
dB SPL. The chain, in order::

    truth    = drive x level knob x polarity x box x low-pass x room
    measured = truth x present band gains x microphone + noise

The room of recorded sweeps goes through `recorded_sweeps` instead of the last line; the one with
mains has more to its chain, see `joined_rooms`, and so has the one with two subwoofers, see
`several_subwoofers`.

Random numbers come from seeds; a second run writes the same bytes. On another processor or
release of numpy the last printed digit, or a sample, may differ by one; another FLAC encoder writes
other bytes for the same samples.
"""

from __future__ import annotations

import argparse
import json
import sys
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from hidden_rooms import RECORDERS, ROOMS, HiddenRoom
from joined_rooms import fault_notes, mains_high_pass
from modal_room import Point
from numpy.typing import NDArray
from recorded_sweeps import (
    CARRIED,
    SeatChain,
    calibrator_tone,
    driven,
    flac_bytes,
    heard,
    loopback,
    played,
    recorded,
    recording_notes,
    slam_heard,
    third_harmonic_db,
)
from room_pressures import (
    DECAY_AT,
    NINE_BANDS,
    close_pressure,
    exact_centre,
    low_pass,
    microphone,
    present_band_gains,
    room_transfer,
    true_mains,
    true_pressure,
)
from several_subwoofers import heard_alone, played_by, wiring_notes
from signal_chain import (
    band_power_level_db,
    c_weighting_db,
    closed_box,
    room_noise,
)
from text_layouts import (
    FREQUENCY_DECIMALS,
    LAYOUTS,
    band_levels_table,
    level_table,
    microphone_table,
    seats_table,
    truth_table,
)

__all__ = [
    "ROOMS",
    "HiddenRoom",
    "made_files",
    "main",
    "measured_pressure",
    "true_pressure",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

HERE = Path(__file__).resolve().parent
LOWEST, HIGHEST = 10.0, 300.0


def read_facts(name: str) -> dict[str, Any]:
    """Return the tables of a room's ``room.toml``."""
    return tomllib.loads((HERE / name / "room.toml").read_text(encoding="utf-8"))


def octave_axis(lowest: float, highest: float, per_octave: int) -> FloatArray:
    """Return ``1000 * 2 ** (i / per_octave)``, just enough of them to hold both ends."""
    first = np.floor(per_octave * np.log2(lowest / 1000.0))
    last = np.ceil(per_octave * np.log2(highest / 1000.0))
    return np.asarray(1000.0 * 2.0 ** (np.arange(first, last + 1.0) / per_octave))


def export_axis(layout: str) -> FloatArray:
    """Return the frequencies of a layout: every 0.5 Hz, or 48 to the octave, as printed."""
    if layout in ("semicolon_german", "wide_characters", "percent_comments"):
        return np.arange(LOWEST, HIGHEST + 0.25, 0.5)
    axis = octave_axis(LOWEST, HIGHEST, 48)
    inside = axis[(axis >= LOWEST) & (axis <= HIGHEST)]
    return np.asarray(np.round(inside, FREQUENCY_DECIMALS))


def measured_pressure(
    name: str, hidden: HiddenRoom, facts: Mapping[str, Any], frequencies: FloatArray
) -> ComplexArray:
    """Return what the instrument saw at each seat, shape (S, F)."""
    pressure = true_pressure(hidden, facts, frequencies)
    pressure *= present_band_gains(facts, frequencies) * microphone(hidden, frequencies)
    for row, seat in enumerate(hidden.places):
        pressure[row] += room_noise(
            frequencies, at_20_hz_db=hidden.noise_db, seed=f"{name}, {seat}"
        )
    return pressure


def _single_seat_files(name: str, hidden: HiddenRoom, facts: Mapping[str, Any]) -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    for entry in facts["measurements"]:
        axis = export_axis(hidden.layouts[entry["file"]])
        row = list(hidden.places).index(entry["seat"])
        pressure = measured_pressure(name, hidden, facts, axis)[row]
        files[entry["file"]] = LAYOUTS[hidden.layouts[entry["file"]]](axis, pressure, entry["seat"])
    return files


def _several_seats_file(
    name: str, hidden: HiddenRoom, facts: Mapping[str, Any]
) -> dict[str, bytes]:
    axis = export_axis("several seats")
    level_db = 20.0 * np.log10(np.abs(measured_pressure(name, hidden, facts, axis)))
    return {facts["measurements"][0]["file"]: seats_table(axis, level_db, list(hidden.places))}


def band_levels_db(hidden: HiddenRoom, facts: Mapping[str, Any]) -> FloatArray:
    """Return what a C-weighted meter shows for pink noise in each band, shape (S, 9)."""
    steps = (np.arange(64) + 0.5) / 64.0 - 0.5
    inside = np.array([exact_centre(nominal) * 10.0 ** (steps / 10.0) for nominal in NINE_BANDS])
    pressure = true_pressure(hidden, facts, inside.ravel())
    pressure *= present_band_gains(facts, inside.ravel())
    level_db = 20.0 * np.log10(np.abs(pressure)) + c_weighting_db(inside.ravel())
    return band_power_level_db(level_db.reshape(-1, *inside.shape))


def _hand_typed_file(name: str, hidden: HiddenRoom, facts: Mapping[str, Any]) -> dict[str, bytes]:
    exact_db = band_levels_db(hidden, facts)
    read_db = np.round(exact_db * 2.0) / 2.0
    seats = list(hidden.places)
    return {
        facts["measurements"][0]["file"]: band_levels_table(NINE_BANDS, read_db, seats, decimals=1),
        "truth/band_levels.csv": band_levels_table(NINE_BANDS, exact_db, seats, decimals=4),
    }


def _seat_chains(hidden: HiddenRoom, facts: Mapping[str, Any]) -> dict[str, SeatChain]:
    """Return what lies between the sweep and the microphone's output, by seat."""
    from_cone = true_pressure(hidden, {**facts, "path": []}, CARRIED)
    s = 1j * CARRIED / hidden.box_corner
    return {
        seat: SeatChain(
            to_cone=low_pass(facts, CARRIED) * present_band_gains(facts, CARRIED),
            excursion=np.asarray(1.0 / (s**2 + s / hidden.box_q + 1.0), dtype=np.complex128),
            from_cone=from_cone[row],
            microphone=microphone(hidden, CARRIED),
        )
        for row, seat in enumerate(hidden.places)
    }


def _decay_table(hidden: HiddenRoom) -> bytes:
    rows = zip(DECAY_AT, hidden.decay, strict=True)
    lines = ["frequency,decay time s", *(f"{at:g},{time:g}" for at, time in rows)]
    return ("\n".join(lines) + "\n").encode()


def _recorded_files(name: str, hidden: HiddenRoom, facts: Mapping[str, Any]) -> dict[str, bytes]:
    recorder, stated = RECORDERS[name], facts["calibration"]
    description = (HERE / name / facts["sweep"]["description"]).read_text(encoding="utf-8")
    sweep = json.loads(description)["sweep"]
    signal = played(sweep)
    returned = loopback(signal, recorder)
    chains = _seat_chains(hidden, facts)
    drive = driven(signal, next(iter(chains.values())), recorder, sweep=sweep)
    spectrum = np.fft.rfft(drive)
    files: dict[str, bytes] = {}
    for entry in facts["measurements"]:
        file, seat = entry["file"], entry["seat"]
        place = {seat: recorder.moved.get(file, hidden.places[seat])}
        there = replace(hidden, places=place)
        pressure = heard(spectrum, drive.size, _seat_chains(there, facts)[seat], recorder)
        if file == recorder.slam.file:
            from_door = room_transfer(there, facts, recorder.slam.place, CARRIED)[0]
            from_door *= microphone(hidden, CARRIED)
            pressure += slam_heard(pressure.size, from_door, recorder, sweep=sweep)
        samples = recorded(
            pressure,
            returned,
            recorder,
            count=signal.size,
            started=recorder.started[file],
            seed=f"{name}, {file}",
        )
        files[file] = flac_bytes(samples)
    tone = calibrator_tone(recorder, level_db=stated["level_db"], seed=f"{name}, calibrator")
    axis = octave_axis(LOWEST, 80.0, 24)
    harmonic = [third_harmonic_db(axis, chain, recorder) for chain in chains.values()]
    return files | {
        stated["file"]: flac_bytes(tone),
        "truth/decay.csv": _decay_table(hidden),
        "truth/recordings.csv": recording_notes(sweep, recorder),
        "truth/third_harmonic.csv": level_table(axis, harmonic, list(chains)),
    }


def _joined_files(name: str, hidden: HiddenRoom, facts: Mapping[str, Any]) -> dict[str, bytes]:
    assert hidden.joined is not None
    files: dict[str, bytes] = {}
    axis = export_axis("percent_comments")
    gains, seats = present_band_gains(facts, axis), list(hidden.places)
    sub, mains = true_pressure(hidden, facts, axis) * gains, true_mains(hidden, facts, axis)
    pressures = {"sub": sub, "mains": mains, "both": sub + mains}
    played = {
        entry["file"]: (
            f"{entry['seat']}, {entry['source']}",
            pressures[entry["source"]][seats.index(entry["seat"])],
        )
        for entry in facts["measurements"]
    }
    close = close_pressure(hidden, facts, axis) * gains
    played[facts["path_response"]["file"]] = ("close to the cone, sub", close)
    for file, (says, pressure) in played.items():
        at_microphone = pressure * microphone(hidden, axis)
        at_microphone += room_noise(axis, at_20_hz_db=hidden.noise_db, seed=f"{name}, {file}")
        files[file] = LAYOUTS[hidden.layouts[file]](axis, at_microphone, says)
    axis = octave_axis(LOWEST, HIGHEST, 96)
    parts = {
        "high-pass": mains_high_pass(facts, axis),
        "box": closed_box(axis, corner=hidden.joined.mains_corner, q=hidden.joined.mains_q),
    }
    return files | {
        "truth/mains.csv": truth_table(axis, list(true_mains(hidden, facts, axis)), seats),
        "truth/mains_chain.csv": truth_table(axis, list(parts.values()), list(parts)),
        "truth/faults.csv": fault_notes(hidden.joined, facts),
    }


def _several_files(name: str, hidden: HiddenRoom, facts: Mapping[str, Any]) -> dict[str, bytes]:
    assert hidden.several is not None
    files: dict[str, bytes] = {}
    axis, seats = export_axis("tabs_two_headers"), list(hidden.places)
    for entry in facts["measurements"]:
        file, seat = entry["file"], entry["seat"]
        pressure = played_by(hidden, facts, axis, entry)[seats.index(seat)]
        at_microphone = pressure * microphone(hidden, axis)
        at_microphone += room_noise(axis, at_20_hz_db=hidden.noise_db, seed=f"{name}, {file}")
        files[file] = LAYOUTS["tabs_two_headers"](axis, at_microphone, seat)
    subwoofers = hidden.several.subwoofers
    true = {one: heard_alone(hidden, facts, axis, name=one) for one in subwoofers}
    true["mains"] = true_mains(hidden, facts, axis)
    tables = {f"truth/{one}.csv": truth_table(axis, list(true[one]), seats) for one in true}
    parts = _sub_parts(hidden, facts, axis) | {"microphone": microphone(hidden, axis)}
    places = {
        **{one: subwoofer.source for one, subwoofer in subwoofers.items()},
        **hidden.several.tried,
        **_mains_places(hidden),
        **hidden.places,
    }
    return files | {
        **tables,
        "truth/chain.csv": truth_table(axis, list(parts.values()), list(parts)),
        "truth/places.csv": _places_table(places),
        "truth/wiring.csv": wiring_notes(hidden.several),
    }


def _sub_parts(
    hidden: HiddenRoom, facts: Mapping[str, Any], axis: FloatArray
) -> dict[str, ComplexArray]:
    return {
        "box": closed_box(axis, corner=hidden.box_corner, q=hidden.box_q),
        "low-pass": low_pass(facts, axis),
    }


def _mains_places(hidden: HiddenRoom) -> dict[str, Point]:
    joined = hidden.joined
    return {} if joined is None else {"left of the mains": joined.left, "right": joined.right}


def _places_table(places: Mapping[str, Point]) -> bytes:
    rows = [f"{who},{x:g},{y:g},{z:g}" for who, (x, y, z) in places.items()]
    return ("\n".join(["what,x,y,z", *rows]) + "\n").encode()


def _truth_files(hidden: HiddenRoom, facts: Mapping[str, Any]) -> dict[str, bytes]:
    if hidden.several is not None:
        return {}
    axis, seats = octave_axis(LOWEST, HIGHEST, 96), list(hidden.places)
    places = {"subwoofer": hidden.source, **hidden.places, **_mains_places(hidden)}
    parts = _sub_parts(hidden, facts, axis) | {
        "present gains": present_band_gains(facts, axis),
        "microphone": microphone(hidden, axis),
    }
    return {
        "truth/seats.csv": truth_table(axis, list(true_pressure(hidden, facts, axis)), seats),
        "truth/chain.csv": truth_table(axis, list(parts.values()), list(parts)),
        "truth/places.csv": _places_table(places),
    }


def made_files(name: str) -> dict[str, bytes]:
    """Return every made file of a room, by its path within the room's folder."""
    hidden, facts = ROOMS[name], read_facts(name)
    if facts["measurements"][0].get("kind") == "band_levels":
        files = _hand_typed_file(name, hidden, facts)
    elif hidden.several is not None:
        files = _several_files(name, hidden, facts)
    elif hidden.joined is not None:
        files = _joined_files(name, hidden, facts)
    elif "sweep" in facts:
        files = _recorded_files(name, hidden, facts)
    elif hidden.layouts:
        files = _single_seat_files(name, hidden, facts)
    else:
        files = _several_seats_file(name, hidden, facts)
    if hidden.microphone is not None:
        axis = np.round(octave_axis(5.0, 20000.0, 12), FREQUENCY_DECIMALS)
        level_db = 20.0 * np.log10(np.abs(microphone(hidden, axis)))
        entry = facts["microphone"]
        if entry["kind"] == "correction":
            level_db, says = -level_db, "correction of the microphone, to be added to a level"
        else:
            says = "response of the microphone, to be subtracted from a level"
        files[entry["file"]] = microphone_table(axis, level_db, says=says)
    return files | _truth_files(hidden, facts)


def write_room(name: str, folder: Path) -> None:
    """Write a room's made files, and those written by hand where they are not there yet."""
    files = made_files(name)
    for by_hand in ("room.toml", "README.md", "sweep.json"):
        if (HERE / name / by_hand).exists() and folder.resolve() != HERE:
            files[by_hand] = (HERE / name / by_hand).read_bytes()
    for file, content in files.items():
        path = folder / name / file
        path.parent.mkdir(parents=True, exist_ok=True)
        unfinished = path.with_name(path.name + ".unfinished")
        unfinished.write_bytes(content)
        unfinished.replace(path)


def main(arguments: list[str] | None = None) -> int:
    """Make all sample rooms; return the exit status."""
    parser = argparse.ArgumentParser(description="Make the sample rooms again.")
    parser.add_argument(
        "folder", nargs="?", type=Path, default=HERE, help="where to (default: where they are)"
    )
    folder: Path = parser.parse_args(arguments).folder
    for name in ROOMS:
        write_room(name, folder)
        print(f"{folder / name}: made")
    return 0


if __name__ == "__main__":
    sys.exit(main())
