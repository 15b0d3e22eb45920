"""Folders as people bring them: what is concluded from them, and what is left out with its reason.

The files are made here, by code that shares nothing with the library: levels of a few resonances,
sweeps through a wire and through echoes.
"""

import json
import os
import tomllib
from pathlib import PurePath

import numpy as np
import pytest
import soundfile
from scipy.signal import fftconvolve

from roomeq.base.errors import RoomFileError
from roomeq.cli.main import main
from roomeq.importers.folder import look_into

AXIS = np.geomspace(15.0, 400.0, 200)
BANDS = (20, 25, 31.5, 40, 50, 63, 80, 100, 125)


def seat_levels(seed):
    rng = np.random.default_rng(seed)
    bumps = zip(rng.uniform(20, 120, 5), rng.uniform(-12, 10, 5), strict=True)
    return 75.0 + sum(g * np.exp(-0.5 * (np.log2(AXIS / f) / 0.15) ** 2) for f, g in bumps)


def export(path, *columns, head="Hz\tdB SPL", above=""):
    path.parent.mkdir(exist_ok=True)
    rows = zip(AXIS, *columns, strict=True)
    body = "\n".join("\t".join(f"{value:.3f}" for value in row) for row in rows)
    path.write_text(f"{above}{head}\n{body}\n", encoding="utf-8")


def typed(path, head="band Hz,left,right"):
    levels = seat_levels(3)[:: len(AXIS) // 9][:9]
    rows = [
        f"{band},{level:.1f},{level - 3:.1f}" for band, level in zip(BANDS, levels, strict=True)
    ]
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")


def told(folder):
    """Return what each file became: its table, its keys without the file, and why not."""
    return by_file(look_into(folder))


def by_file(found):
    return {
        PurePath(entry.keys["file"]).as_posix(): entry
        for entry in found.entries
        if "file" in entry.keys
    }


def keys_of(entry):
    return {key: value for key, value in entry.keys.items() if key != "file"}


def test_text_exports_by_their_names(tmp_path):
    names = ("sofa_sub.txt", "sofa_mains.csv", "sofa_both.dat", "sofa_sub_again.txt", "chair.tsv")
    for seed, name in enumerate(names):
        export(tmp_path / name, seat_levels(seed))
    found = told(tmp_path)
    assert {name: keys_of(found[name]) for name in names} == {
        "sofa_sub.txt": {"seat": "sofa", "source": "sub"},
        "sofa_mains.csv": {"seat": "sofa", "source": "mains"},
        "sofa_both.dat": {"seat": "sofa", "source": "both"},
        "sofa_sub_again.txt": {"seat": "sofa", "source": "sub"},
        "chair.tsv": {"seat": "chair"},
    }
    assert "repeat by 'sub', 'again'" in found["sofa_sub_again.txt"].why
    assert all(entry.table == "measurements" and not entry.left_out for entry in found.values())


def test_folders_named_after_what_played_are_looked_into_and_no_others(tmp_path):
    for name in ("sub/left.txt", "mains/left.txt", "old/left.txt"):
        export(tmp_path / name, seat_levels(1))
    found = look_into(tmp_path)
    assert {entry.keys["file"]: keys_of(entry) for entry in found.of("measurements")} == {
        "sub/left.txt": {"seat": "left", "source": "sub"},
        "mains/left.txt": {"seat": "left", "source": "mains"},
    }
    assert found.ignored == ("old/",)


def test_a_field_above_the_table_tells_the_source_and_a_sentence_does_not(tmp_path):
    export(tmp_path / "left.txt", seat_levels(1), above="% left, mains\n")
    export(tmp_path / "right.txt", seat_levels(2), above="mains switched off\n")
    export(tmp_path / "middle sub.txt", seat_levels(3), above="source: mains\n")
    found = told(tmp_path)
    assert keys_of(found["left.txt"]) == {"seat": "left", "source": "mains"}
    assert keys_of(found["right.txt"]) == {"seat": "right"}
    assert found["middle sub.txt"].left_out == "its name says sub, a line in it mains"


def test_numbers_at_the_end(tmp_path):
    for seed, name in enumerate(("sofa", "sofa 2", "sofa (2)", "stool 1", "stool 2", "bar (3)")):
        export(tmp_path / f"{name}.txt", seat_levels(seed))
    found = told(tmp_path)
    seats = {name: entry.keys["seat"] for name, entry in found.items()}
    assert seats == {
        "sofa.txt": "sofa",
        "sofa (2).txt": "sofa",
        "sofa 2.txt": "sofa 2",
        "stool 1.txt": "stool 1",
        "stool 2.txt": "stool 2",
        "bar (3).txt": "bar (3)",
    }
    assert "if it repeats 'sofa', write that seat" in found["sofa 2.txt"].why
    assert "if it repeats" not in found["stool 2.txt"].why


def test_what_was_measured_after_a_change_does_not_mix_with_what_was_before_it(tmp_path):
    for seed, name in enumerate(("sofa before", "chair before", "sofa after", "stool", "after")):
        export(tmp_path / f"{name}.txt", seat_levels(seed))
    found = told(tmp_path)
    left_out = {name for name, entry in found.items() if "after a change" in entry.left_out}
    assert left_out == {"sofa after.txt", "after.txt"}
    seats = {entry.keys["seat"] for name, entry in found.items() if name not in left_out}
    assert seats == {"sofa", "chair", "stool"}
    for name in ("sofa before", "chair before"):
        (tmp_path / f"{name}.txt").unlink()
    found = told(tmp_path)  # one state alone is that of the room
    assert not any(entry.left_out for entry in found.values())
    assert found["sofa after.txt"].keys["seat"] == "sofa"
    assert "'after'" in found["sofa after.txt"].why


@pytest.mark.parametrize("first", [63.1, 80.0, 100.0])
def test_a_level_that_looks_like_a_band_makes_no_table_of_bands(tmp_path, first):
    levels = seat_levels(1)
    levels[0] = first  # the first line, which has no heading, then heads a column
    lines = (f"{f:.3f} {level:.2f}\n" for f, level in zip(AXIS, levels, strict=True))
    (tmp_path / "chair.frd").write_text("".join(lines), "utf-8")
    found = told(tmp_path)["chair.frd"]
    assert keys_of(found) == {"seat": "chair"}
    assert "text export, 15 to 400 Hz" in found.why


def test_one_seat_in_two_spellings_is_one(tmp_path):
    for seed, name in enumerate(("Sofa_sub", "sofa_mains", "SOFA (2)_sub")):
        export(tmp_path / f"{name}.txt", seat_levels(seed))
    found = told(tmp_path)
    assert found["Sofa_sub.txt"].keys["seat"] == found["sofa_mains.txt"].keys["seat"]
    assert "is it one?" not in found["sofa_mains.txt"].why


def test_mains_where_no_subwoofer_was_measured_are_asked_about(tmp_path):
    for name in ("sofa sub.txt", "sofa mains left.txt"):
        export(tmp_path / name, seat_levels(1))
    assert "is it one?" in told(tmp_path)["sofa mains left.txt"].why


def test_several_levels_in_a_file_are_seats_or_sources(tmp_path):
    three = [seat_levels(seed) for seed in range(3)]
    head = "Hz\tsofa dB SPL\tchair dB SPL\taverage dB SPL"
    export(tmp_path / "places.txt", *three, head=head)
    export(tmp_path / "bench.txt", *three[:2], head="Hz\tsub dB SPL\tmains dB SPL")
    found = look_into(tmp_path)
    assert [keys_of(entry) for entry in found.of("measurements")] == [
        {"seat": "bench", "source": "sub", "level_column": "sub"},
        {"seat": "bench", "source": "mains", "level_column": "mains"},
        {"columns": {"sofa": "sofa", "chair": "chair"}},
    ]
    assert "2 columns" in found.of("measurements")[2].why


def test_typed_levels_and_their_weighting(tmp_path):
    typed(tmp_path / "levels.csv")
    typed(tmp_path / "with letter.csv", head="band Hz,left dB(C),right dB(C)")
    found = told(tmp_path)
    assert keys_of(found["levels.csv"]) == {"kind": "band_levels"}
    assert "left, right" in found["levels.csv"].why
    assert "nothing tells the meter's weighting" in found["levels.csv"].why
    assert keys_of(found["with letter.csv"]) == {"kind": "band_levels", "weighting": "C"}
    one = [f"{band} {70 + band % 7}" for band in BANDS]
    (tmp_path / "sofa sub.txt").write_text("\n".join(one) + "\n", encoding="utf-8")
    wanted = {"kind": "band_levels", "seat": "sofa", "source": "sub"}
    assert keys_of(told(tmp_path)["sofa sub.txt"]) == wanted


def test_microphone_files(tmp_path):
    export(tmp_path / "sofa.txt", seat_levels(1))
    for number, (name, above, kind) in enumerate(
        [
            ("microphone.txt", "response, to be subtracted\n", "response"),
            ("mic correction.txt", "", "correction"),
            ("7012345.txt", "add this to the level\n", "correction"),
            ("mic.txt", "", None),
        ]
    ):
        export(
            tmp_path / name, 0.2 * np.sin(np.log(AXIS)) - 0.1 * number, head="Hz dB", above=above
        )
        found = told(tmp_path)[name]
        assert found.table == "microphone"
        assert found.keys.get("kind") == kind
        assert bool(found.left_out) == (kind is None)
        if number != 3:
            (tmp_path / name).unlink()
    export(tmp_path / "microphone.txt", 0.1 * np.sin(AXIS), head="Hz dB")
    assert {entry.left_out for entry in look_into(tmp_path).of("microphone")} == {
        "several would fit: keep one"
    }


def test_close_to_the_cone(tmp_path):
    export(tmp_path / "sofa.txt", seat_levels(1))
    export(tmp_path / "close to the cone.txt", seat_levels(2))
    (entry,) = look_into(tmp_path).of("path_response")
    assert entry.keys == {"file": "close to the cone.txt"}


def test_what_cannot_be_read_is_left_out_with_its_reason(tmp_path):
    export(tmp_path / "sofa.txt", seat_levels(1))
    (tmp_path / "notes.txt").write_text("to do: buy cable\n", encoding="utf-8")
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8\xff")
    (tmp_path / "sheet.xlsx").write_bytes(b"PK\x03\x04" + bytes(range(256)))
    export(tmp_path / "target.txt", np.zeros(AXIS.size))
    export(tmp_path / "unclear.txt", seat_levels(1), seat_levels(1), head="Hz\tdB\tdB")
    found = told(tmp_path)
    assert not found["sofa.txt"].left_out
    assert all(found[name].left_out for name in set(found) - {"sofa.txt"})
    assert set(found) == {"notes.txt", "sheet.xlsx", "sofa.txt", "target.txt", "unclear.txt"}
    assert str(tmp_path) not in "".join(entry.left_out for entry in found.values())
    assert look_into(tmp_path).ignored == ("photo.jpg",)


def test_a_name_that_no_file_can_hold_is_not_looked_at(tmp_path, capsys):
    export(tmp_path / "sofa.txt", seat_levels(1))
    export(tmp_path / "two\nlines.txt", seat_levels(2))
    with (tmp_path / os.fsdecode(b"no\xfftext.txt")).open("w") as file:
        file.write("20 70\n")
    assert main(["start", str(tmp_path)]) in (0, 1)
    assert list(tomllib.loads((tmp_path / "room.toml").read_text("utf-8"))["measurements"]) == [
        {"file": "sofa.txt", "seat": "sofa"}
    ]
    assert "Not looked at: no\\udcfftext.txt, two" in capsys.readouterr().out


def test_pipes_are_left_out(tmp_path):
    export(tmp_path / "sofa.txt", seat_levels(1))
    os.mkfifo(tmp_path / "pipe.txt")
    os.mkfifo(tmp_path / "pipe.wav")
    found = told(tmp_path)
    assert found["pipe.txt"].left_out
    assert found["pipe.wav"].left_out


@pytest.mark.parametrize(
    "files",
    [{}, {"notes.txt": "to do: buy cable\n"}, {"a.json": "{}"}, {"\x1bseat.txt": "20 70\n"}],
)
def test_a_folder_without_measurements_is_refused_and_nothing_written(tmp_path, files, capsys):
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    assert main(["start", str(tmp_path)]) == 2
    said = capsys.readouterr()
    assert "nothing in it can be read as a measurement; nothing was written" in said.err
    assert ("notes.txt: " in said.err) == ("notes.txt" in files)
    assert ("\\x1bseat.txt: passed over" in said.err) == ("\x1bseat.txt" in files)
    assert said.out == ""
    assert sorted(entry.name for entry in tmp_path.iterdir()) == sorted(files)


def test_a_room_file_that_exists_is_never_touched(tmp_path, capsys):
    export(tmp_path / "sofa.txt", seat_levels(1))
    (tmp_path / "room.toml").write_text("mine", encoding="utf-8")
    assert main(["start", str(tmp_path)]) == 2
    assert "exists: it is left as it is" in capsys.readouterr().err
    assert (tmp_path / "room.toml").read_text("utf-8") == "mine"
    with pytest.raises(RoomFileError, match="no such folder"):
        look_into(tmp_path / "nowhere")


@pytest.fixture(scope="module")
def sweep(tmp_path_factory):
    """Return a sweep and its JSON as `roomeq sweep` writes them, for 8 kHz."""
    folder = tmp_path_factory.mktemp("sweep")
    words = ["--length", "3", "--rate", "8000", "--lead-in", "5", "--stop", "300"]
    assert main(["sweep", str(folder / "bass.wav"), *words]) == 0
    return folder


def recorded(sweep, *heard, seed=0):
    """Return what is recorded of a sweep through impulse responses, one for each channel."""
    played, rate = soundfile.read(sweep / "bass.wav")
    noise = np.random.default_rng(seed).normal(0, 2e-6, (len(heard), played.size + 2000))
    tracks = [fftconvolve(played, response)[: played.size + 2000] for response in heard]
    padded = [np.pad(track, (0, played.size + 2000 - track.size)) for track in tracks]
    return (np.array(padded) + noise).T, rate


WIRE = np.r_[np.zeros(40), 0.5]


def echoes(seed):
    rng = np.random.default_rng(seed)
    return np.r_[np.zeros(60), 0.3, 0.2 * rng.normal(size=2400) * np.exp(-np.arange(2400) / 700.0)]


def test_recorded_sweeps_with_the_loopback_wherever_it_is(tmp_path, sweep, capsys):
    for name, heard in {
        "left sub.wav": (echoes(1), WIRE),
        "left mains.wav": (echoes(2), WIRE),
        "right sub.flac": (WIRE, echoes(3)),
        "wire.wav": (WIRE,),
        "silence.wav": (0 * WIRE,),
    }.items():
        samples, rate = recorded(sweep, *heard)
        soundfile.write(tmp_path / name, samples, rate, subtype="PCM_24")
    for name in ("bass.wav", "bass.json"):
        (tmp_path / name).write_bytes((sweep / name).read_bytes())
    looked = look_into(tmp_path)
    found = by_file(looked)
    kind = {"kind": "sweep"}
    wires = {"channel": 1, "loopback_channel": 2}
    assert keys_of(found["left sub.wav"]) == kind | {"seat": "left", "source": "sub"} | wires
    assert keys_of(found["left mains.wav"]) == kind | {"seat": "left", "source": "mains"} | wires
    assert keys_of(found["right sub.flac"]) == kind | {
        **{"seat": "right", "source": "sub"},
        **{"channel": 2, "loopback_channel": 1},
    }
    assert found["wire.wav"].left_out == "no room is heard in it, only a wire"
    assert found["silence.wav"].left_out
    assert [entry.keys for entry in looked.of("sweep")] == [{"description": "bass.json"}]
    assert [entry.keys for entry in looked.of("timing")] == [{"common_reference": True}]
    assert looked.ignored == ("bass.wav",)
    assert main(["start", str(tmp_path)]) in (0, 1)
    assert "left sub.wav (seat 'left')" in capsys.readouterr().out
    written = tomllib.loads((tmp_path / "room.toml").read_text("utf-8"))
    assert {entry["file"] for entry in written["measurements"]} == {
        *("left sub.wav", "left mains.wav", "right sub.flac"),
    }


def test_one_channel_two_microphones_and_no_common_time(tmp_path, sweep):
    for name, heard in {
        "left sub.wav": (echoes(1),),
        "left mains.wav": (echoes(2), echoes(4)),
    }.items():
        samples, rate = recorded(sweep, *heard)
        soundfile.write(tmp_path / name, samples, rate, subtype="PCM_24")
    (tmp_path / "bass.json").write_bytes((sweep / "bass.json").read_bytes())
    found = told(tmp_path)
    assert keys_of(found["left sub.wav"]) == {"kind": "sweep", "seat": "left", "source": "sub"}
    assert "heard in channels 1, 2: the first is taken" in found["left mains.wav"].why
    assert look_into(tmp_path).of("timing") == []


def test_a_sweep_by_its_name_or_none_at_all(tmp_path, sweep):
    samples, rate = recorded(sweep, echoes(1))
    soundfile.write(tmp_path / "left.wav", samples, rate, subtype="PCM_24")
    export(tmp_path / "chair.txt", seat_levels(1))
    assert "it is not told what was played" in told(tmp_path)["left.wav"].left_out
    (tmp_path / "played.wav").write_bytes((sweep / "bass.wav").read_bytes())
    assert [one.keys for one in look_into(tmp_path).of("sweep")] == [{"reference": "played.wav"}]
    assert not told(tmp_path)["left.wav"].left_out
    (tmp_path / "sweep.wav").write_bytes((sweep / "bass.wav").read_bytes())
    both = told(tmp_path)["left.wav"].left_out
    assert both == "it is not told which sweep was played: played.wav, sweep.wav"


def test_a_description_that_cannot_be_read_is_said(tmp_path, sweep):
    document = json.loads((sweep / "bass.json").read_text("utf-8"))
    document["version"] = 99
    (tmp_path / "bass.json").write_text(json.dumps(document), encoding="utf-8")
    samples, rate = recorded(sweep, echoes(1))
    soundfile.write(tmp_path / "left.wav", samples, rate, subtype="PCM_24")
    with pytest.raises(RoomFileError, match="version 99") as refused:
        look_into(tmp_path)
    assert "left.wav: it is not told what was played: bass.json cannot be read" in str(
        refused.value
    )


def test_a_calibrator_is_no_seat(tmp_path, sweep):
    samples, rate = recorded(sweep, echoes(1))
    for name in ("left.wav", "calibrator.wav"):
        soundfile.write(tmp_path / name, samples, rate, subtype="PCM_24")
    (tmp_path / "bass.json").write_bytes((sweep / "bass.json").read_bytes())
    found = told(tmp_path)
    assert found["calibrator.wav"].table == "calibration"
    assert "same_gain" in found["calibrator.wav"].left_out


def test_typed_levels_under_a_line_of_text_are_not_taken_for_a_response(tmp_path):
    typed(tmp_path / "levels.csv", head="The C-weighted levels from the meter\nBand Hz,left,right")
    export(tmp_path / "sofa.txt", seat_levels(1))
    found = look_into(tmp_path)
    (out,) = [entry for entry in found.entries if entry.left_out and "file" in entry.keys]
    assert "typed off a meter" in out.left_out
    assert told(tmp_path)["sofa.txt"].keys["seat"] == "sofa"


def test_what_is_no_measurement_is_none_in_a_folder_of_mains_either(tmp_path):
    export(tmp_path / "sofa.txt", seat_levels(1))
    export(tmp_path / "mains" / "sofa.txt", seat_levels(2))
    (tmp_path / "mains" / ".hidden.txt").write_text("", "utf-8")
    (tmp_path / "mains" / "photo.jpg").write_bytes(b"picture")
    found = look_into(tmp_path)
    assert set(told(tmp_path)) == {"sofa.txt", "mains/sofa.txt"}
    assert found.ignored == ("mains/photo.jpg",)


@pytest.mark.parametrize("unit", ["dB(C)", "db(c)"])
def test_a_weighting_is_taken_however_it_is_spelled(tmp_path, unit):
    typed(tmp_path / "levels.csv", head=f"Hz,left {unit},right {unit}")
    (entry,) = told(tmp_path).values()
    assert entry.keys["weighting"] == "C"
