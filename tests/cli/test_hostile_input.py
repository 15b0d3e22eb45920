"""Files and names of others: no traceback, exit status 2, one line, and nothing printed raw.

Run in the process where that shows the same; in one of its own where signals, limits of the
operating system or the end of the interpreter matter.
"""

import json
import os
import resource
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from places import ROOT, SAMPLES, SAVED_PLANS

from roomeq.cli.main import main

CABIN = SAMPLES / "lakeside_cabin"
PLAN = max(SAVED_PLANS.glob("*.json"))


@pytest.fixture
def cabin(tmp_path):
    return shutil.copytree(CABIN, tmp_path / "cabin", ignore=shutil.ignore_patterns("truth"))


def refused(capsys, *words):
    """Run a command that must end with status 2 and one line; return that line."""
    assert main([str(word) for word in words]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith("roomeq: ")
    assert printed.err.count("\n") == 1
    assert "should not happen" not in printed.err
    return printed.err


LOCKED = "[limits]\nlocked = [20, 25, 31.5, 40, 50, 63, 80, 100, 125]"  # any plan will do


def add(room, text):
    with (room / "room.toml").open("a", encoding="utf-8") as file:
        file.write("\n" + text + "\n")


@pytest.mark.parametrize("depth", [500, 100_000])
def test_nested_room_files(capsys, cabin, depth):
    kept = (cabin / "room.toml").read_text("utf-8")
    for text in (
        "x = " + "[" * depth + "]" * depth,
        "x = " + "{a=" * depth + "1" + "}" * depth,
        "[" + ".".join("a" * depth) + "]",
        ".".join("a" * depth) + " = 1",
    ):
        (cabin / "room.toml").write_text(kept, "utf-8")
        add(cabin, text)
        assert "nested too deeply" in refused(capsys, "check", cabin)


@pytest.mark.parametrize("depth", [500, 100_000])
def test_nested_plans_and_descriptions(capsys, tmp_path, depth):
    path = tmp_path / "plan.json"
    for text in ("[" * depth + "]" * depth, '{"format":' * depth + "1" + "}" * depth):
        path.write_text(text, "utf-8")
        assert "is not a plan" in refused(capsys, "show", path)
        assert main(["check", str(tmp_path)]) == 2  # no description of a sweep either
        capsys.readouterr()


def test_long_lists_take_time_that_grows_with_them(capsys, cabin):
    text = (cabin / "room.toml").read_text("utf-8")
    entries = ", ".join(["40.0"] * 30_000)
    (cabin / "room.toml").write_text(
        text.replace("[device]", f"[device]\nx = [{entries}]"), "utf-8"
    )
    assert "unknown key 'x'" in refused(capsys, "check", cabin)


def test_pipes_devices_and_large_files(capsys, cabin, tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", "/dev/zero"):
        assert "is a pipe or device" in refused(capsys, "show", path)
    (cabin / "room.toml").unlink()
    os.mkfifo(cabin / "room.toml")
    assert "is a pipe or device" in refused(capsys, "check", cabin)
    (tmp_path / "large.json").write_bytes(b" " * (16 * 2**20 + 1))
    assert "up to 16 MiB are read" in refused(capsys, "show", tmp_path / "large.json")


@pytest.mark.parametrize("source", ["/dev/zero", "pipe"])
def test_measurements_that_are_no_files(capsys, cabin, source):
    path = cabin / "sofa_left.txt"
    path.unlink()
    if source == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to(source)
    assert "sofa_left.txt" in refused(capsys, "check", cabin)


@pytest.mark.parametrize(
    "words", [("--rate", "1000000000"), ("--repeats", "1000000"), ("--channels", "1000000")]
)
def test_sweeps_that_no_memory_holds(capsys, tmp_path, words):
    assert "up to 1e+08 are played" in refused(capsys, "sweep", tmp_path / "x.wav", *words)
    assert list(tmp_path.iterdir()) == []


def sweep_and_recording(folder, *, container):
    assert main(["sweep", str(folder / "s.wav"), "--length", "1", "--tail", "0.5"]) == 0
    samples, rate = soundfile.read(folder / "s.wav")
    (folder / "s.wav").unlink()
    path = folder / f"seat.{container.lower()}"
    soundfile.write(path, 0.1 * samples, rate, subtype="PCM_24", format=container)
    return path


@pytest.mark.parametrize(
    ("place", "value", "said"),
    [
        (slice(24, 28), (1).to_bytes(4, "little"), "1 Hz cannot carry"),  # sample rate
        (slice(24, 28), bytes(4), "cannot be read as sound"),
        (slice(22, 24), b"\xff\xff", "cannot be read as sound"),  # channels
        (slice(22, 24), bytes(2), "cannot be read as sound"),
        (slice(60, None), b"", "nothing was recorded"),  # cut behind the header
        (slice(0, None), b"", "cannot be read as sound"),
    ],
)
def test_wav_headers_that_cannot_be(capsys, tmp_path, place, value, said):
    # layout: RIFF WAVE with one fmt chunk of 16 bytes at 12, as soundfile writes 24-bit files
    path = sweep_and_recording(tmp_path, container="WAV")
    content = bytearray(path.read_bytes())
    assert content[12:16] == b"fmt "
    content[place] = value
    path.write_bytes(content)
    capsys.readouterr()
    assert said in refused(capsys, "check", tmp_path)


def test_a_flac_header_that_claims_2_to_the_36_samples(capsys, tmp_path):
    path = sweep_and_recording(tmp_path, container="FLAC")
    content = bytearray(path.read_bytes())
    # RFC 9639, section 8.2: STREAMINFO's 36 bits of total samples end at its byte 18, from byte 8
    content[21] |= 0x0F
    content[22:26] = b"\xff" * 4
    path.write_bytes(content)
    capsys.readouterr()
    assert "says it holds 68719476735 samples" in refused(capsys, "check", tmp_path)


def test_names_of_others_are_not_printed_raw(capsys, cabin, tmp_path):
    text = (cabin / "room.toml").read_text("utf-8")
    text = text.replace('"Lakeside cabin"', r'"evil \u001b[31m \u202e קומה"')
    text = text.replace('"sofa left"', r'"sofa \u001b]0;x\u0007 left"')
    (cabin / "room.toml").write_text(text, "utf-8")
    add(cabin, LOCKED)
    plan, sheet = tmp_path / "plan.json", tmp_path / "sheet.html"
    assert main(["propose", str(cabin), "--plan", str(plan)]) in (0, 1)
    assert main(["check", str(cabin)]) in (0, 1)
    assert main(["show", str(plan)]) == 0
    assert main(["sheet", str(plan), "--output", str(sheet)]) == 0
    printed = capsys.readouterr().out + sheet.read_text("utf-8")
    assert not {"\x1b", "\x07", "\u202e"} & set(printed)
    assert r"evil \x1b[31m \u202e קומה" in printed
    assert main(["show", str(plan), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["room"] == "evil \x1b[31m \u202e קומה"
    (tmp_path / "other").mkdir()
    add(cabin, '"ke\x7fy" = 1'.replace("\x7f", r"\u001b"))
    assert r"ke\x1by" in refused(capsys, "check", cabin)


def test_the_plan_of_another_room_stays(capsys, cabin, tmp_path):
    plan = tmp_path / "plan.json"
    add(cabin, LOCKED)
    assert main(["propose", str(cabin), "--plan", str(plan)]) in (0, 1)
    kept = plan.read_bytes()
    text = (cabin / "room.toml").read_text("utf-8")
    (cabin / "room.toml").write_text(text.replace('"Lakeside cabin"', '"Other"'), "utf-8")
    capsys.readouterr()
    said = refused(capsys, "propose", cabin, "--plan", plan)
    assert "is the plan of 'Lakeside cabin', not of 'Other'" in said
    assert plan.read_bytes() == kept
    assert main(["propose", str(cabin), "--plan", str(plan), "--force"]) in (0, 1)
    assert json.loads(plan.read_text("utf-8"))["room"] == "Other"


@pytest.mark.parametrize("output", ["nowhere/plan.json", ".", "link.json"])
def test_an_output_that_cannot_be_is_refused_before_anything_is_computed(
    capsys, monkeypatch, tmp_path, output
):
    (tmp_path / "link.json").symlink_to(tmp_path / "elsewhere.json")

    def computed(*_, **__):
        raise AssertionError("computed first")

    monkeypatch.setattr("roomeq.cli.commands.propose", computed)
    monkeypatch.setattr("roomeq.cli.commands.join", computed)
    refused(capsys, "propose", CABIN, "--plan", tmp_path / output)
    refused(capsys, "join", SAMPLES / "ferry_office", "--plan", tmp_path / output)
    assert [path.name for path in tmp_path.iterdir()] == ["link.json"]
    assert (tmp_path / "link.json").is_symlink()


def test_what_should_not_happen_is_one_line_and_with_debug_all(capsys, monkeypatch):
    def broken(*_, **__):
        raise KeyError("gone")

    monkeypatch.setattr("roomeq.cli.commands.propose", broken)
    assert main(["propose", str(CABIN)]) == 2
    assert "roomeq: this should not happen: KeyError: 'gone'" in capsys.readouterr().err
    with pytest.raises(KeyError):
        main(["propose", str(CABIN), "--debug"])


def started(*words, **others):
    command = [sys.executable, "-m", "roomeq", *map(str, words)]
    return subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE, text=True, **others)


def test_a_disk_that_is_full_half_way_leaves_the_old_pair(tmp_path):
    words = ["sweep", str(tmp_path / "s.wav"), "--length", "1", "--tail", "0.5"]
    assert main(words) == 0
    kept = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def limit():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # then writing fails as on a full disk
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    run = started(*words, "--force", preexec_fn=limit)
    _, said = run.communicate(timeout=60)
    assert run.returncode == 2
    assert said == f"roomeq: {tmp_path / 's.wav'}: cannot be written: System error.\n"
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == kept


def test_half_of_a_pair_does_not_block_the_next_try(capsys, tmp_path):
    words = ["sweep", str(tmp_path / "s.wav"), "--length", "1", "--tail", "0.5"]
    assert main(words) == 0
    (tmp_path / "s.wav").unlink()
    assert main(words) == 0
    assert (tmp_path / "s.wav").exists()
    capsys.readouterr()
    assert "exists: it is left as it is" in refused(capsys, *words)
    (tmp_path / "s.json").write_text('{"mine": 1}', "utf-8")
    assert "exists and is not" in refused(capsys, *words, "--force")


def test_stopping_has_a_status_of_its_own_and_leaves_nothing(capsys, monkeypatch, tmp_path):
    def stopped(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("roomeq.cli.commands.propose", stopped)
    assert main(["propose", str(CABIN), "--plan", str(tmp_path / "plan.json")]) == 130
    assert capsys.readouterr().err == "roomeq: stopped\n"
    assert list(tmp_path.iterdir()) == []


def test_output_that_nobody_reads_is_no_failure(capsys, monkeypatch):
    reading, writing = os.pipe()
    os.close(reading)
    run = started("--version", stdout=writing)
    _, said = run.communicate(timeout=60)
    assert (run.returncode, said) == (0, "")
    with os.fdopen(writing, "w", encoding="utf-8") as unread:
        monkeypatch.setattr(sys, "stdout", unread)
        assert main(["show", str(PLAN)]) == 0
    assert capsys.readouterr().err == ""


def test_closed_output_is_no_failure_and_takes_no_words_of_another(capsys, monkeypatch):
    """Python has None in place of a stream that was closed before it began."""
    with monkeypatch.context() as closed:
        closed.setattr(sys, "stdout", None)
        assert main(["show", str(PLAN)]) in (0, 1)
        assert main(["--version"]) == 0
    assert capsys.readouterr().err == ""
    with monkeypatch.context() as closed:
        closed.setattr(sys, "stderr", None)
        assert main(["show", "nowhere.json"]) == 2
    assert capsys.readouterr().out == ""


def test_output_that_cannot_be_written_is_said():
    with Path("/dev/full").open("w") as full:
        run = started("--version", stdout=full)
        _, said = run.communicate(timeout=60)
    assert run.returncode == 2
    assert said == "roomeq: No space left on device\n"


def test_damaged_samples_are_refused(capsys, tmp_path):
    path = sweep_and_recording(tmp_path, container="WAV")
    samples, rate = soundfile.read(path)
    samples[1000] = np.nan
    soundfile.write(path, samples, rate, subtype="FLOAT")
    capsys.readouterr()
    assert "sample 1000 is nan" in refused(capsys, "check", tmp_path)
