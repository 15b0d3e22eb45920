"""The command line as its users meet it."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from roomeq.cli import main

SAMPLES = Path(__file__).parents[1] / "sample_measurements"
HALL = str(SAMPLES / "rented_hall")


def run(capsys, *arguments):
    status = main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return status, printed.out, printed.err


def write_export(path, seed=1):
    axis = np.geomspace(10, 300, 200)
    rng = np.random.default_rng(seed)
    level = 75 + 8 * np.exp(-0.5 * (np.log2(axis / 40) / 0.25) ** 2) + rng.normal(0, 0.2, axis.size)
    rows = [f"{f:.3f},{v:.2f}" for f, v in zip(axis, level, strict=True)]
    path.write_text("frequency (Hz),level (dB SPL)\n" + "\n".join(rows) + "\n", "utf-8")
    return path


def test_check_prints_what_was_measured(capsys):
    status, out, err = run(capsys, "check", HALL)
    assert (status, err) == (0, "")
    for words in ("Rented hall", "last row", "S.d. dB", "variance between seats"):
        assert words in out


def test_check_json(capsys):
    status, out, _ = run(capsys, "check", HALL, "--json")
    overview = json.loads(out)
    assert status == 0
    assert len(overview["bands"]) == 9
    assert overview["measurements"][0]["resolution"] == "third_octave"


def test_propose_show_and_json_agree(capsys, tmp_path):
    plan = tmp_path / "hall.json"
    status, out, _ = run(capsys, "propose", HALL, "--plan", plan)
    assert status == 0
    assert f"Plan kept in {plan}" in out
    shown = run(capsys, "show", plan)
    assert shown[0] == 0
    assert shown[1] in out
    assert run(capsys, "show", plan, "--json")[1] == plan.read_text("utf-8")


def test_no_change_is_a_finding(capsys):
    status, out, _ = run(capsys, "propose", SAMPLES / "brick_cellar")
    assert status == 1
    assert "Band gains cannot help here" in out


def test_bare_list_of_files_states_its_assumptions(capsys, tmp_path):
    files = [write_export(tmp_path / f"seat{i}.csv", seed=i) for i in range(3)]
    before = {path: path.read_bytes() for path in files}
    status, out, _ = run(
        capsys,
        *("propose", *files, "--low-pass", "butterworth", 2, 90, "--lower-limit", 20, "--json"),
    )
    plan = json.loads(out)
    assert status == 0
    assert plan["target"]["corner"] == 90
    assert {band["label"]: band["gain_db"] for band in plan["bands"]}["40"] < -4
    assert any("subwoofer alone" in text for text in plan["assumptions"])
    assert {path: path.read_bytes() for path in files} == before
    assert sorted(tmp_path.iterdir()) == sorted(files)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["propose", "nowhere.csv"], "nowhere.csv"),
        (["check", "nowhere.toml"], "there is no such file"),
        (["show", "nowhere.json"], "there is no such file"),
        (["check", HALL + "/levels.csv", "--low-pass", "bessel", "4", "80"], "family is one of"),
        (["check", HALL + "/levels.csv", "--low-pass", "butterworth", "x", "80"], "--low-pass"),
        (["propose", HALL, "--plan", "no/such/folder/plan.json"], "no/such/folder"),
    ],
)
def test_what_cannot_be_done_is_one_line_and_status_two(capsys, arguments, said):
    status, out, err = run(capsys, *arguments)
    assert status == 2
    assert "Traceback" not in err
    assert said in err
    assert err.startswith("roomeq: ")
    assert err.count("\n") == 1
    assert out == ""


def test_wrong_words_give_status_two(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["propse", HALL])
    assert stop.value.code == 2
    assert "propse" in capsys.readouterr().err


def test_without_a_command_help_is_printed(capsys):
    status, out, _ = run(capsys)
    assert status == 2
    assert "how to go about it" in out


@pytest.mark.parametrize("command", [[], ["check"], ["propose"], ["show"]])
def test_help_teaches(capsys, command):
    with pytest.raises(SystemExit) as stop:
        main([*command, "--help"])
    assert stop.value.code == 0
    assert len(capsys.readouterr().out) > 200


def test_runs_as_a_module_and_knows_its_version():
    words = [sys.executable, "-m", "roomeq", "--version"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stdout.startswith("roomeq 0.")
