"""The command line as its users meet it."""

import io
import json
import os
import shutil
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from devices_apart import Device, measured
from joining_rooms import JOINED_TOML, write_joined_room
from places import SAMPLES
from sample_jobs import computed_once, put_jobs  # noqa: F401

from roomeq.cli import commands
from roomeq.cli.main import main
from roomeq.importers.room import read_room
from roomeq.report.plots import pictures
from roomeq.report.plots.pictures import PICTURES

pytestmark = pytest.mark.usefixtures("computed_once")
HALL = str(SAMPLES / "rented_hall")
CABIN = SAMPLES / "lakeside_cabin"


def run(capsys, *arguments):
    status = main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return status, printed.out, printed.err


@cache
def told(*words):
    """Run a command on what stays as it is, once for all tests that only read what it said."""
    with (
        redirect_stdout(io.StringIO()) as out,
        redirect_stderr(io.StringIO()) as err,
        pytest.MonkeyPatch.context() as patched,
    ):
        put_jobs(patched)
        status = main([str(word) for word in words])
    return status, out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def hall(tmp_path_factory):
    """Return the plan of the hall, and what was said when it was made."""
    plan = tmp_path_factory.mktemp("plans") / "hall.json"
    return plan, told("propose", HALL, "--plan", plan)


@pytest.fixture(scope="module")
def joined(tmp_path_factory):
    return write_joined_room(tmp_path_factory.mktemp("joined"))


def write_export(path, seed=1):
    axis = np.geomspace(10, 300, 200)
    rng = np.random.default_rng(seed)
    level = 75 + 8 * np.exp(-0.5 * (np.log2(axis / 40) / 0.25) ** 2) + rng.normal(0, 0.2, axis.size)
    rows = [f"{f:.3f},{v:.2f}" for f, v in zip(axis, level, strict=True)]
    path.write_text("frequency (Hz),level (dB SPL)\n" + "\n".join(rows) + "\n", "utf-8")
    return path


def test_check_prints_what_was_measured():
    status, out, err = told("check", HALL)
    assert (status, err) == (0, "")
    for words in ("Rented hall", "last row", "S.d. dB", "the seats differ by"):
        assert words in out


def test_check_json(capsys):
    status, out, _ = run(capsys, "check", HALL, "--json")
    overview = json.loads(out)
    assert status == 0
    assert len(overview["bands"]) == 9
    assert overview["measurements"][0]["resolution"] == "third_octave"


def test_propose_show_and_json_agree(capsys, hall):
    plan, (status, out, _) = hall
    assert status == 1  # quieter than now: the drive limit grants no more
    assert f"Plan kept in {plan}" in out
    shown = run(capsys, "show", plan)
    assert shown[0] == 0
    assert shown[1] in out
    assert run(capsys, "show", plan, "--json")[1] == plan.read_text("utf-8")


def test_a_plan_is_dated_and_signed_as_told(capsys, tmp_path):
    kept = str(tmp_path / "plan.json")
    words = ["propose", str(SAMPLES / "rented_hall"), "--plan", kept, "--by", "A. Nother"]
    run(capsys, *words, "--date", "2023-11-05")
    made = json.loads((tmp_path / "plan.json").read_text("utf-8"))
    assert (made["date"], made["by"]) == ("2023-11-05", "A. Nother")
    for wrong in ("05.11.2023", "20231105", "2023-02-29"):
        status, out, err = run(capsys, *words, "--date", wrong)
        assert (status, out) == (2, "")
        assert f"--date {wrong}: needs a date as in" in err


def test_a_device_is_told_and_its_profile_named(capsys, tmp_path):
    own = Device(
        labels=("40",), settings=(-6.0, 3.0), centres={"40": 41.0}, q=3.0, follows=0.0, gain=1.0
    )
    flat, moved = measured(own, tmp_path, np.random.default_rng(31), snr_db=40.0)
    words = ["device", tmp_path / "own.toml", "--flat", flat]
    for spec, path in moved:
        words += ["--moved", spec, path]
    status, out, err = run(capsys, *words)
    assert (status, err) == (0, "")
    assert "40 Hz: the same Q at all gains that were measured." in out
    assert "ASSUMED, not measured: Q" in out
    assert 'write profile = "own.toml" under [device]' in out
    status, out, err = run(capsys, *words)
    assert (status, out) == (2, "")
    assert err.endswith("remove that file first)\n")
    assert len(err.splitlines()) == 1
    export = write_export(tmp_path / "room.csv")
    assert run(capsys, "check", export, "--device", tmp_path / "own.toml")[0] != 2


def test_what_of_a_device_cannot_be_told_is_status_one(capsys, tmp_path):
    own = Device(
        labels=("40",), settings=(0.5, 3.0), centres={"40": 41.0}, q=3.0, follows=0, gain=1
    )
    flat, moved = measured(own, tmp_path, np.random.default_rng(32), snr_db=40.0)
    words = ["device", "--flat", flat, "--moved", *moved[0]]
    status, out, _ = run(capsys, *words)
    assert status == 1
    assert "moved by too" in " ".join(out.split())
    assert json.loads(run(capsys, *words, "--json")[1])["rows"][0]["doubt"] == "uncertain"
    words = ["device", tmp_path / "own.toml", "--flat", flat, "--moved", "40:-6", moved[1][1]]
    status, _, err = run(capsys, *words)
    assert (status, err) == (2, "roomeq: nothing could be told: no profile was written\n")
    assert not (tmp_path / "own.toml").exists()


def test_shipped_devices_are_listed(capsys):
    status, out, _ = run(capsys, "device", "--list")
    assert status == 0
    assert "nine_band: " in out
    assert "coarse_step: " in out
    assert (
        run(capsys, "device")[2]
        == "roomeq: device needs --flat FILE and what was moved (or --list)\n"
    )


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
        (["propose", "nowhere.csv"], "nowhere.csv: there is no such file or folder"),
        (["check", HALL + "/level.csv"], "level.csv: there is no such file or folder (nearest "),
        (["check", HALL + "s/levels.csv"], "levels.csv: there is no such file or folder"),
        (["check", "nowhere.toml"], "there is no such file"),
        (["show", "nowhere.json"], "there is no such file"),
        (["check", HALL + "/levels.csv", "--low-pass", "bessel", "4", "80"], "family is one of"),
        (["check", HALL + "/levels.csv", "--low-pass", "butterworth", "x", "80"], "--low-pass"),
        (
            ["check", HALL + "/levels.csv", "--low-pass", "butterworth", "2", "eighty"],
            "--low-pass butterworth 2 eighty: needs a whole order and a corner in Hz",
        ),
        (["propose", HALL, "--plan", "no/such/folder/plan.json"], "no/such/folder/plan.json: No"),
        (["check", HALL, HALL + "/levels.csv"], "rented_hall: give one folder with room.toml"),
        (["check", HALL + "/levels.csv", HALL + "/room.toml"], "room.toml: give one folder"),
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


def test_a_finding_is_status_one(capsys, tmp_path):
    file = write_export(tmp_path / "seat1.csv")
    (tmp_path / "seat2.csv").write_bytes(file.read_bytes())
    third = write_export(tmp_path / "seat3.csv", seed=3)
    status, out, _ = run(capsys, "check", file, tmp_path / "seat2.csv", third)
    assert status == 1
    assert "are the same recording" in " ".join(out.split())
    # the proposal is as good as any; the finding alone asks for a look
    status, out, _ = run(capsys, "propose", file, tmp_path / "seat2.csv", third, "--json")
    assert status == 1
    assert json.loads(out)["no_change"] is None
    assert run(capsys, "check", third)[0] == 0


@pytest.mark.parametrize(
    ("words", "key"),
    [
        (["--source", "sub"], "source ="),
        (["--device", "nine_band"], "profile ="),
        (["--low-pass", "butterworth", "2", "95"], "[[path]]"),
        (["--crossover", "80"], "[crossover]"),
        (["--lower-limit", "25"], "lower_limit of [target]"),
    ],
)
def test_what_a_room_file_states_is_not_stated_twice(capsys, words, key):
    # the room file would win, and the option be lost in silence
    for room in (HALL, HALL + "/room.toml"):
        status, out, err = run(capsys, "check", room, *words)
        assert (status, out) == (2, "")
        assert words[0] in err
        assert key in err


def test_a_room_file_may_be_named_itself(capsys):
    assert run(capsys, "check", HALL + "/room.toml")[0] == 0


def test_best_is_proposed_where_it_is_asked_for():
    arguments = ("propose", SAMPLES / "lakeside_cabin", "--json")
    usual, best = (json.loads(told(*arguments, *more)[1]) for more in ((), ("--best",)))
    assert [band["gain_db"] for band in best["bands"]] == best["choices"][1]["gains_db"]
    assert [band["gain_db"] for band in usual["bands"]] == usual["choices"][2]["gains_db"]
    given_away = usual["choices"][2]["deviation_db"] - usual["choices"][1]["deviation_db"]
    gained = usual["choices"][0]["deviation_db"] - usual["choices"][1]["deviation_db"]
    assert 0.0 < given_away <= 0.02 * gained + 1e-9


def test_json_is_nothing_but_json(capsys, tmp_path):
    _, out, _ = run(capsys, "propose", HALL, "--json", "--plan", tmp_path / "hall.json")
    assert json.loads(out)["format"] == 2
    assert out == (tmp_path / "hall.json").read_text("utf-8")


def test_a_measurement_is_not_overwritten(capsys, tmp_path):
    file = write_export(tmp_path / "seat.csv")
    before = file.read_bytes()
    status, out, err = run(capsys, "propose", file, "--plan", file)
    assert (status, out) == (2, "")
    assert f"{file}: exists and is not a plan" in err
    assert file.read_bytes() == before


def test_a_plan_that_came_true_is_status_zero(capsys, tmp_path):
    # nothing is changed in the cellar, so its own measurement is what was predicted
    run(capsys, "propose", SAMPLES / "brick_cellar", "--plan", tmp_path / "cellar.json")
    status, out, _ = run(capsys, "verify", tmp_path / "cellar.json", SAMPLES / "brick_cellar")
    assert status == 0
    assert "It came true" in out


def test_surveys_of_two_rooms_are_not_compared(capsys):
    status, out, err = run(capsys, "compare", HALL, SAMPLES / "brick_cellar")
    assert (status, out) == (2, "")
    assert "say --force if only the name has changed" in err
    cellar = SAMPLES / "brick_cellar"
    assert "the very same measurement" in run(capsys, "compare", cellar, cellar)[2]


def test_a_sheet_does_not_replace_its_plan(capsys, tmp_path, hall):
    plan = Path(shutil.copy(hall[0], tmp_path))
    before = plan.read_bytes()
    status, _, err = run(capsys, "sheet", plan, "--output", tmp_path / "." / "hall.json")
    assert status == 2
    assert "is one of the plans" in err
    assert plan.read_bytes() == before


def test_linear_algebra_is_told_to_stay_in_one_thread(monkeypatch):
    # many small products: threads only get in each other's way; the user's own setting stays
    bare = {key: value for key, value in os.environ.items() if key != "OPENBLAS_NUM_THREADS"}
    for given, expected in (({}, "1"), ({"OPENBLAS_NUM_THREADS": "3"}, "3")):
        monkeypatch.setattr(os, "environ", bare | given)
        assert main(["show", "none.json"]) == 2
        assert os.environ["OPENBLAS_NUM_THREADS"] == expected


def test_what_a_file_leaves_open_is_settled_in_a_room_file(capsys, tmp_path):
    rows = "".join(f"{f:.5f},{70 + 5 * np.sin(90 * f):.3f}\n" for f in np.geomspace(0.01, 0.3, 60))
    (tmp_path / "seat.csv").write_text("frequency,level\n" + rows, "utf-8")
    status, _, err = run(capsys, "check", tmp_path / "seat.csv")
    assert status == 2
    assert err.endswith('frequency_unit="kHz"; as options, for example --level-column 3)\n')
    room = 'format = 1\nname = "R"\n[[measurements]]\nseat = "s"\nfile = "seat.csv"\n'
    (tmp_path / "room.toml").write_text(room + 'frequency_unit = "kHz"\n', "utf-8")
    assert run(capsys, "check", tmp_path)[0] == 0


@pytest.mark.parametrize("room", ["rented_hall", "lakeside_cabin"])
def test_what_is_piped_is_plain_ascii(room):
    for command in ("check", "propose"):
        assert told(command, str(SAMPLES / room))[1].isascii()


def test_a_name_that_the_output_cannot_encode_is_no_failure(capfdbinary, tmp_path, monkeypatch):
    write_export(tmp_path / "Küche.csv")
    with io.TextIOWrapper(io.BytesIO(), encoding="ascii") as ascii_only:
        monkeypatch.setattr(sys, "stdout", ascii_only)
        assert main(["check", str(tmp_path / "Küche.csv")]) in (0, 1)
        ascii_only.flush()
        assert rb"K\xfcche" in ascii_only.buffer.getvalue()


def test_join_prints_settings_and_wants_a_look_when_in_doubt(capsys, joined, monkeypatch):
    monkeypatch.setattr(commands, "read_room", cache(read_room))
    monkeypatch.setattr(commands, "join", cache(commands.join))
    status, out, err = run(capsys, "join", joined)
    assert (status, err) == (0, "")
    for words in ("Bypass: low-pass", "Polarity: inverted", "earlier", "volume down first"):
        assert words in out
    status, out, _ = run(capsys, "join", joined, "--json")
    assert json.loads(out)["joining"]["settings"]["inverted"] is True


def test_what_looks_wrong_and_what_a_stopped_run_left_is_said(capsys, tmp_path, monkeypatch):
    said = "two seats look exchanged"
    monkeypatch.setattr(
        commands, "read_room", lambda *a, **k: replace(read_room(*a, **k), findings=(said,))
    )
    left = tmp_path / ".hall.json.abc.part"
    left.write_text("half", "utf-8")
    _, out, err = run(capsys, "propose", HALL, "--plan", tmp_path / "hall.json")
    assert said in out
    assert f"{left}: left by a run that was stopped" in err
    assert left.read_text("utf-8") == "half"


def test_join_needs_a_room_file_and_says_what_is_not_measured(capsys, tmp_path):
    export = write_export(tmp_path / "sofa.txt")
    status, _, err = run(capsys, "join", export)
    assert status == 2
    assert "needs a folder with room.toml" in err
    status, _, err = run(capsys, "join", HALL)
    assert status == 2
    assert "mains" in err


def test_check_reports_the_path(joined):
    _, out, _ = told("check", joined)
    assert "Bypass the low-pass Linkwitz-Riley 24 dB/oct at 80 Hz in the amplifier" in out
    assert "  - Engaged: " in out


@pytest.mark.parametrize(
    ("corner", "family", "there"),
    [(40, "linkwitz_riley", True), (80, "linkwitz_riley", False), (120, "butterworth", True)],
)
def test_a_low_pass_too_many_or_too_few_in_the_room_file_is_found(
    capsys, tmp_path, joined, corner, family, there
):
    """Two are stated and one is there, or the other way round; the response close to the cone."""
    extra = f'[[path]]\nkind = "low_pass"\nfamily = "{family}"\norder = 4\ncorner = {corner}\n'
    head, *tables = JOINED_TOML.split("[[path]]\n")
    if there:  # twice in the chain, once in the file
        toml = head + "[[path]]\n" + tables[0] + tables[1][tables[1].index("[[mains_path]]") :]
    else:
        toml = JOINED_TOML.replace("[[mains_path]]", extra + "[[mains_path]]")
    status, out, _ = run(capsys, "check", write_joined_room(tmp_path, toml=toml))
    assert status == 1
    assert "not what the room file describes" in out
    assert told("check", joined)[0] == 0


def test_a_low_pass_in_the_cabin_that_is_not_there_is_found_at_its_seats(
    capsys, tmp_path, monkeypatch
):
    extra = '[[path]]\nkind = "low_pass"\nfamily = "linkwitz_riley"\norder = 4\ncorner = 40\n'
    room = shutil.copytree(CABIN, tmp_path / "cabin")
    toml = (room / "room.toml").read_text("utf-8")
    (room / "room.toml").write_text(toml.replace("[[path]]", extra + "[[path]]", 1), "utf-8")
    assert told("check", str(CABIN))[0] == 0
    for job in ("read_room", "estimated_path", "room_overview"):
        monkeypatch.setattr(commands, job, cache(getattr(commands, job)))
    status, out, _ = run(capsys, "check", room)
    assert status == 1
    assert "the response at the seats is not what the room file describes" in out
    assert json.loads(run(capsys, "check", room, "--json")[1])["engaged"]["contradicts"]


def test_columns_are_given_as_options(capsys, tmp_path):
    axis = np.geomspace(15.0, 250.0, 120)
    rows = "".join(f"{f:.3f} 20.00 {70 + 8 * np.sin(f / 9):.2f}\n" for f in axis)
    (tmp_path / "seat.txt").write_text(rows, "utf-8")
    status, _, err = run(capsys, "check", tmp_path / "seat.txt")
    assert status == 2
    assert "give level_column=(2, 3)" in err
    assert "as options, for example --level-column 3" in err
    told = ("--level-column", "3", "--level-unit", "dB SPL", "--low-pass", "none")
    status, out, _ = run(capsys, "check", tmp_path / "seat.txt", *told, "--json")
    assert json.loads(out)["measurements"][0]["level_reference"] == "spl"
    (tmp_path / "room.toml").write_text("format = 1\n", "utf-8")
    assert "write level_column of [[measurements]]" in run(capsys, "check", tmp_path, *told)[2]


def test_plot_writes_pictures_of_a_room_and_of_a_plan(capsys, tmp_path, monkeypatch, hall):
    some = {name: PICTURES[name] for name in ("seats", "seat_differences", "band_gains")}
    monkeypatch.setattr(pictures, "PICTURES", some)
    monkeypatch.chdir(tmp_path)
    status, out, err = run(capsys, "plot", HALL, "--only", "seats", "seat_differences")
    assert (status, err) == (0, "")
    folder = Path("rented_hall_pictures")
    kept = [folder / name for name in ("seats.png", "seat_differences.png")]
    assert out.splitlines() == ["Pictures kept", *(f"  {path}" for path in kept)]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["rented_hall_pictures"]
    shutil.copy(hall[0], "hall.json")
    status, out, _ = run(
        capsys, *("plot", "hall.json", "--output", "drawn", "--form", "svg", "--json")
    )
    told = json.loads(out)
    assert status == 0
    assert str(Path("drawn") / "band_gains.svg") in told["files"]
    assert told["not_made"]["seats"] == "a plan does not keep the measurements: give the room"


def test_plot_says_what_was_asked_for_and_is_not_there(capsys, tmp_path):
    status, out, _ = run(
        capsys, *("plot", HALL, "--output", tmp_path / "a", "--only", "seats", "phase")
    )
    assert status == 1
    assert "Not made: phase: no measurement has phase" in out
    status, out, err = run(capsys, "plot", HALL, "--output", tmp_path / "b", "--only", "phase")
    assert (status, out) == (2, "")
    assert err == "roomeq: no picture was made: no measurement has phase\n"
    assert not (tmp_path / "b").exists()
    status, _, err = run(capsys, "plot", HALL, "--only", "sofas")
    assert status == 2
    assert "no picture is called 'sofas'; there are seats, seat_differences" in err


def test_plot_without_matplotlib_says_the_remedy_before_it_reads(capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    for arguments in (("plot", "nowhere"), ("verify", "nowhere.json", HALL, "--plot", "pictures")):
        status, out, err = run(capsys, *arguments)
        assert (status, out) == (2, "")
        assert err == (
            "roomeq: pictures need matplotlib (install roomeq with its extra: roomeq[report])\n"
        )


def test_verify_also_draws(capsys, tmp_path, hall):
    plan, _ = hall
    status, out, _ = run(capsys, "verify", plan, HALL, "--plot", tmp_path / "pictures")
    plain = run(capsys, "verify", plan, HALL)
    assert (status, plain[0]) == (1, 1)  # nothing was set
    picture = tmp_path / "pictures" / "verification.png"
    assert out == f"{plain[1]}Pictures kept\n  {picture}\n"
    assert picture.is_file()
    _, out, err = run(capsys, "verify", plan, HALL, "--json", "--plot", tmp_path / "pictures")
    assert json.loads(out)["agrees"] is False
    assert f"  {picture}\n" in err
