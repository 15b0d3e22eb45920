"""Exit status, and what goes to which stream, of every command for every outcome.

What is computed is given here, so that all of it is told apart; how it is computed has tests of its
own. 0: done, 1: done and something wants a look, 2: could not.
"""

from dataclasses import replace
from datetime import date
from importlib.metadata import version
from pathlib import Path
from types import SimpleNamespace

import pytest
from places import SAMPLES

from roomeq.base.recording import ChainConditions, SweepDescription
from roomeq.cli import commands
from roomeq.cli.main import main
from roomeq.importers.room import read_room

HALL = str(SAMPLES / "rented_hall")
JSON = '{"told": true}\n'
ODD = ("two seats look exchanged",)
SIGNED = ("--date", "2024-05-31", "--by", "A. Nother")
SIGNS = {"date": date(2024, 5, 31), "by": "A. Nother"}


class Told(SimpleNamespace):
    """What a job returns, with the attributes that a command looks at."""

    def to_json(self):
        return JSON.encode()

    def __str__(self):
        return "Pictures kept\n"


@pytest.fixture(scope="module")
def hall():
    return read_room(HALL)


@pytest.fixture
def given(monkeypatch):
    """Put values or functions in the place of what the commands call, and note the last calls."""
    calls = {}

    def noted(name, value):
        def call(*words, **others):
            calls[name] = (words, others)
            return value(*words, **others) if callable(value) else value

        return call

    def put(**names):
        for name, value in names.items():
            monkeypatch.setattr(commands, name, noted(name, value))
        return calls

    return put


@pytest.fixture
def run(capsys):
    def command(*words):
        status = main([str(word) for word in words])
        printed = capsys.readouterr()
        return status, printed.out, printed.err.replace("roomeq: ", "").rstrip("\n")

    return command


@pytest.mark.parametrize(
    ("findings", "by_sum", "by_path", "status"),
    [((), False, False, 0), (ODD, False, False, 1), ((), True, False, 1), ((), False, True, 1)],
)
def test_check_and_start(given, run, tmp_path, hall, findings, by_sum, by_path, status):
    found = Told(sum_doubtful=by_sum, path_doubtful=by_path)
    calls = given(read_room=replace(hall, findings=findings), estimated_path="path")
    given(room_overview=found, room_text="the room\n")
    assert run("check", HALL) == (status, "the room\n", "")
    assert calls["read_room"] == ((HALL,), {"detail": False})
    assert calls["room_text"] == ((found,), {"estimate": "path", "detail": False})
    assert run("check", HALL, "--detail", "--json") == (status, JSON, "")
    assert calls["read_room"][1] == {"detail": True}
    assert calls["room_overview"][1] == {"detail": True, "estimate": "path"}
    given(look_into="found", room_file_text="format = 1\n", start_text="begun")
    assert run("start", tmp_path) == (status, "begun\nthe room\n", "")
    target = tmp_path / "room.toml"
    assert target.read_text("utf-8") == "format = 1\n"
    assert calls["look_into"] == ((tmp_path,), {})
    assert calls["start_text"] == (("found",), {"file": str(target)})
    assert calls["room_text"][1]["detail"] is False


@pytest.mark.parametrize(("findings", "status"), [((), 0), (ODD, 1)])
def test_places(given, run, hall, findings, status):
    room = replace(hall, findings=findings)
    calls = given(read_room=room, rank_places=Told(), places_text="the places\n")
    assert run("places", HALL) == (status, "the places\n", "")
    assert calls["rank_places"] == ((room,), {"most": 4})
    given(alarm_texts=["a slam"])
    assert run("places", HALL, "--json", "--most", 1, "--detail") == (status, JSON, "a slam")
    assert calls["rank_places"][1] == {"most": 1}
    assert calls["places_text"][1] == {"detail": True}


@pytest.mark.parametrize(
    ("findings", "doubtful", "status"), [((), False, 0), (ODD, False, 1), ((), True, 1)]
)
def test_join(given, run, tmp_path, hall, findings, doubtful, status):
    found = Told(record="sum", settled="set", doubtful=doubtful)
    plan, kept = Told(joining="joining"), str(tmp_path / "plan.json")
    calls = given(read_room=replace(hall, findings=findings), join=found, alarm_texts=["a slam"])
    given(room_joining_text="the joining\n", propose=plan, write_plan=None)
    said = "\n".join(["a slam", *findings])
    assert run("join", HALL) == (status, "the joining\n", said)
    assert "write_plan" not in calls
    told = f"the joining\n\nPlan kept in {kept}\n"
    assert run("join", HALL, "--plan", kept) == (status, told, said)
    assert calls["write_plan"] == ((plan, kept), {"other_room": False})
    assert run("join", HALL, "--plan", kept, "--json", "--force") == (status, JSON, said)
    assert calls["write_plan"][1] == {"other_room": True}


NOT = ("a", "b are not joined", "c are not joined", "they are not joined: 2", "d")


@pytest.mark.parametrize(
    ("record", "settled", "assumptions", "said"),
    [
        (None, None, (), "levels alone leave a question that is to be decided"),
        ("sum", "set", ("a",), "the measured sum contradicts its parts"),
        (None, "set", NOT, "they are not joined: 2"),
    ],
)
def test_a_joining_that_is_not_kept(given, run, tmp_path, hall, record, settled, assumptions, said):
    plan, kept = Told(joining=None, assumptions=assumptions), tmp_path / "plan.json"
    calls = given(read_room=hall, join=Told(record=record, settled=settled, doubtful=False))
    given(room_joining_text="the joining\n", propose=plan)
    refused = (2, "the joining\n", f"no plan was kept: {said}")
    assert run("join", HALL, "--plan", kept, *SIGNED) == refused
    assert not kept.exists()
    if settled:
        joined = None if record else "set"
        assert calls["propose"][1] == {"keep_bands": True, "joined": joined} | SIGNS


@pytest.mark.parametrize(
    ("findings", "reservations", "no_change", "status"),
    [((), (), None, 0), (ODD, (), None, 1), ((), ("first",), None, 1), ((), (), "enough", 1)],
)
def test_propose(given, run, tmp_path, hall, findings, reservations, no_change, status):
    room, kept = replace(hall, findings=findings), str(tmp_path / "plan.json")
    plan = Told(reservations=reservations, no_change=no_change)
    calls = given(read_room=room, propose=plan, plan_text="the plan\n", write_plan=None)
    assert run("propose", HALL) == (status, "the plan\n", "")
    assert calls["propose"] == ((room,), {"best": False, "date": None, "by": None})
    assert calls["plan_text"] == ((plan,), {"bars": False, "detail": False})
    assert "write_plan" not in calls
    told = f"the plan\n\nPlan kept in {kept}\n"
    assert run("propose", HALL, "--best", "--detail", "--plan", kept, *SIGNED) == (status, told, "")
    assert calls["propose"][1] == {"best": True} | SIGNS
    assert calls["plan_text"][1] == {"bars": False, "detail": True}
    assert calls["write_plan"] == ((plan, kept), {"other_room": False})
    words = ("--plan", kept, "--json", "--force")
    assert run("propose", HALL, *words) == (status, JSON, "".join(findings))
    assert calls["write_plan"][1] == {"other_room": True}


def test_a_proposal_from_the_gains_of_another_plan(given, run, tmp_path, hall):
    labels, file = hall.equaliser.labels, tmp_path / "voicing.json"
    file.touch()
    found = Told(together=None, device=Told(labels=labels), gains_db=[0.5 * n for n in range(9)])
    calls = given(read_room=hall, is_a_plan=True, read_plan=found, plan_text="")
    given(propose=Told(reservations=(), no_change=None))
    assert run("propose", HALL, "--in-force", file)[0] == 0
    ((room,), _) = calls["propose"]
    assert room.present.gains_db.tolist() == found.gains_db
    assert room.present.gains_stated
    assert room.assumptions[:-1] == hall.assumptions
    assert f"with the gains of the plan {file} in force, not those" in room.assumptions[-1]
    found.device.labels = ("1", *labels[1:])
    for together, said in ((None, "speaks of other bands than 20, 25, 31.5"), (1, "sets several")):
        found.together = together
        status, out, err = run("propose", HALL, "--in-force", file)
        assert (status, out) == (2, "")
        assert f"{file} {said}" in err


@pytest.mark.parametrize(
    ("alarms", "agrees", "level", "stated", "status"),
    [
        ([], True, True, True, 0),
        (["a slam"], True, True, True, 1),
        ([], False, True, True, 1),
        ([], True, False, True, 1),
        ([], True, True, False, 1),
    ],
)
def test_verify(given, run, hall, alarms, agrees, level, stated, status):
    found = Told(agrees=agrees, level=Told(agrees=level), stated_as_planned=stated)
    seats, others = [Told(seat=seat) for seat in hall.survey.seats], {"music": "one", "film": "two"}
    plans = {"plan.json": Told(seats=seats)} | others
    calls = given(read_room=hall, alarm_texts=alarms, read_plan=plans.get, verify_room=found)
    given(verification_text="it came true\n", write_pictures=Told())
    assert run("verify", "plan.json", HALL) == (status, "it came true\n", "".join(alarms))
    assert calls["verify_room"][1] == {"others": {}, "other_room": False}
    assert "write_pictures" not in calls
    del seats[1]
    gone = f"seat {hall.survey.seats[1]} is none of the plan's, which are "
    gone += ", ".join(seat.seat for seat in seats)
    words = ("--json", "--other", "music", "--other", "film", "--force")
    assert run("verify", "plan.json", HALL, *words) == (status, JSON, "\n".join([*alarms, gone]))
    assert calls["verify_room"][1] == {"others": others, "other_room": True}


@pytest.mark.parametrize("words", [(HALL, "plan.json"), ("plan.json", "plan.json")])
def test_verify_takes_the_plan_first(run, words):
    said = f"{words[0]}: the plan comes first, then the room: verify PLAN ROOM"
    assert run("verify", *words) == (2, "", said)


@pytest.mark.parametrize(
    ("unchanged", "alarms", "status"),
    [(True, ([], []), 0), (False, ([], []), 1), (True, (["a"], []), 1), (True, ([], ["b"]), 1)],
)
def test_compare(given, run, hall, unchanged, alarms, status):
    before, after = replace(hall, name="before"), replace(hall, name="after")
    calls = given(read_room=lambda name: {"one": before, "two": after}[name])
    given(recording_rows=lambda room: room.name, compare=Told(unchanged=unchanged))
    given(alarm_texts=lambda name: alarms[name == "after"], comparison_text="compared\n")
    said = "".join([*alarms[0], *alarms[1]])
    assert run("compare", "one", "two") == (status, "compared\n", said)
    assert calls["compare"] == ((before, after), {"other_room": False})
    assert run("compare", "one", "two", "--json", "--force") == (status, JSON, said)
    assert calls["compare"][1] == {"other_room": True}


@pytest.mark.parametrize(
    ("findings", "not_made", "only", "status"),
    [
        ((), {}, (), 0),
        (ODD, {}, (), 1),
        ((), {"phase": "none"}, (), 0),
        ((), {"phase": "none"}, ("phase",), 1),
        ((), {}, ("phase",), 0),
    ],
)
def test_plot(given, run, hall, findings, not_made, only, status):
    room, words = replace(hall, findings=findings), ("--only", *only) if only else ()
    calls = given(read_room=room, check_pictures=None, write_pictures=Told(not_made=not_made))
    assert run("plot", HALL, *words) == (status, "Pictures kept\n", "".join(findings))
    (subject, folder), how = calls["write_pictures"]
    assert (subject.room, subject.plan, folder) == (room, None, Path("rented_hall_pictures"))
    assert how == {"only": list(only), "form": "png"}
    assert calls["check_pictures"] == ((list(only),), {})
    assert calls["read_room"][1] == {"detail": True}
    words += ("--json", "--output", "drawn", "--form", "svg")
    assert run("plot", HALL, *words) == (status, JSON, "".join(findings))
    assert calls["write_pictures"][0][1] == Path("drawn")
    assert calls["write_pictures"][1]["form"] == "svg"


def test_show_keys_and_sheet(given, run, tmp_path):
    plan, page = Told(), tmp_path / "page.html"
    calls = given(read_plan=plan, plan_text="the plan\n", keys_text="the keys\n")
    assert run("show", "a.json") == (0, "the plan\n", "")
    assert calls["plan_text"][1] == {"bars": False, "detail": False}
    assert run("show", "a.json", "--json", "--detail") == (0, JSON, "")
    assert calls["plan_text"][1] == {"bars": False, "detail": True}
    assert run("keys", "target") == (0, "the keys\n", "")
    assert calls["keys_text"] == (("target",), {})
    assert run("--version") == (0, f"roomeq {version('roomeq')}\n", "")
    given(write_settings_sheet=None)
    words = ("sheet", "music.json", "film.json", "--output", page)
    assert run(*words) == (0, f"Settings sheet kept in {page}\n", "")
    plans = {"music": plan, "film": plan}
    assert calls["write_settings_sheet"] == ((plans, page), {"mixed": False})
    run(*words, "--mixed")
    assert calls["write_settings_sheet"][1] == {"mixed": True}


@pytest.mark.parametrize(("all_told", "status"), [(True, 0), (False, 1)])
def test_device(given, run, tmp_path, all_told, status):
    found, kept = Told(all_told=all_told, any_told=True), tmp_path / "own.toml"
    calls = given(measure_device=found, device_text="device\n", write_measured_profile=None)
    words = ("device", "--flat", "f.txt", "--moved", "40:-6", "a.txt", "--moved", "63:+3", "b.txt")
    words += ("--low-pass", "80", "c.txt", "--high-pass", "25", "d.txt")
    assert run(*words) == (status, "device\n", "")
    how = {"low_pass": [["80", "c.txt"]], "high_pass": [["25", "d.txt"]]}
    moved = [["40:-6", "a.txt"], ["63:+3", "b.txt"]]
    asked = how | {"base": "nine_band", "name": None}
    assert calls["measure_device"] == (("f.txt", moved), asked)
    assert run(*words, "--json", kept, "--device", "mine") == (status, JSON, "")
    assert calls["measure_device"][1] == how | {"base": "mine", "name": "own"}
    assert calls["write_measured_profile"] == ((found, kept), {})
    said = f'device\n\nProfile kept in {kept}: write profile = "own.toml" under [device]\n'
    assert run(*words, kept) == (status, said, "")


@pytest.mark.parametrize(
    ("one", "doubtful", "status"), [("done", False, 0), ("failed", False, 1), ("done", True, 1)]
)
def test_batch(given, run, tmp_path, one, doubtful, status):
    rows = [Told(status="done", doubtful=False), Told(status=one, doubtful=doubtful)]
    calls = given(propose_many=Told(rows=lambda: rows, out=tmp_path), batch_text="all rooms\n")
    given(json_text=JSON.encode(), write_rooms_picture=None, check_pictures=None)
    assert run("batch", "a", "b", "--out", "o") == (status, "all rooms\n", "")
    usual = {"out": "o", "jobs": None, "resume": False, "best": False}
    assert calls["propose_many"] == ((["a", "b"],), usual)
    assert not {"write_rooms_picture", "check_pictures"} & set(calls)
    words = ("--jobs", 3, "--resume", "--json", "--plot")
    assert run("batch", "a", "--out", "o", *words) == (status, JSON, "")
    assert calls["propose_many"][1] == usual | {"jobs": 3, "resume": True}
    assert calls["write_rooms_picture"] == ((rows, tmp_path / "rooms.png"), {})
    assert "check_pictures" in calls
    run("batch", "a", "--out", "o", "--best")
    assert calls["propose_many"][1] == usual | {"best": True}


@pytest.mark.parametrize(
    ("findings", "reservations", "status"), [((), (), 0), (ODD, (), 1), ((), ("first",), 1)]
)
def test_voice(given, run, tmp_path, hall, findings, reservations, status):
    plan, kept = Told(reservations=reservations), str(tmp_path / "voicing.json")
    model = replace(hall, findings=findings)
    found = Told(rooms=("a", "b"), plan=plan, record=lambda needed: f"record {needed}")
    calls = given(read_room=model, voice=found, rooms_needed="needed", voicing_text="voicing\n")
    given(json_text=JSON.encode(), write_voicing_picture=None, write_plan=None)
    given(check_pictures=None)
    assert run("voice", "m.toml", "--rooms", "a", "b") == (status, "voicing\n", "")
    usual = {"criterion": "mean", "flat_source": False, "date": None, "by": None}
    assert calls["voice"] == ((model, ["a", "b"]), usual)
    assert calls["voicing_text"] == ((found, "needed"), {})
    said = f"voicing\n\nPlan kept in {kept}\n"
    words = ("--worst-tenth", "--flat-source", "--plan", kept, *SIGNED)
    assert run("voice", "m.toml", *words) == (status, said, "")
    assert calls["voice"][1] == {"criterion": "worst_tenth", "flat_source": True} | SIGNS
    assert calls["write_plan"] == ((plan, kept), {"other_room": False})
    assert "check_pictures" not in calls
    found.rooms = ("a",)  # of one room there is nothing to be left out
    words = ("--json", "--force", "--plan", kept, "--plot", "lost.png")
    assert run("voice", "m.toml", *words) == (status, JSON, "")
    assert calls["json_text"] == (("record ()",), {})
    assert calls["write_plan"][1] == {"other_room": True}
    assert calls["write_voicing_picture"] == ((found, Path("lost.png")), {})
    assert "check_pictures" in calls


def test_every_word_on_a_sweep_reaches_it(given, run):
    figures = {"start": 11.0, "stop": 440.0, "length": 3.0, "lead_in": 5.0, "tail": 2.5}
    figures |= {"repeats": 2, "channels": 4, "channel": 3}
    asked = ("compression", "correction", "crossover", "volume", "connection", "equaliser")
    words = figures | {"level": -35.0, "rate": 8000} | dict(zip(asked, "abcdef", strict=True))
    calls = given(write_sweep=[Path("a.wav"), Path("a.json")], sweep_text="swept\n")
    given(playback_signal="signal")
    spelled = [x for k, v in words.items() for x in (f"--{k.replace('_', '-')}", v)]
    assert run("sweep", "a.wav", *spelled) == (0, "swept\n", "")
    names = ("dynamic_range_compression", "upstream_correction", "crossover", "volume", "output")
    chain = ChainConditions(**dict(zip((*names, "equaliser"), "abcdef", strict=True)))
    sweep = SweepDescription(**figures, level_dbfs=-35.0, sample_rate=8000, conditions=chain)
    assert calls["write_sweep"] == ((Path("a.wav"), "signal"), {"sweep": sweep, "replace": False})
    assert calls["sweep_text"] == ((sweep,), {"files": ["a.wav", "a.json"]})
    run("sweep", "a.wav", "--force")
    assert calls["write_sweep"][1] == {"sweep": SweepDescription(), "replace": True}
    for wrong in (4.99, "nan"):
        assert run("sweep", "a.wav", "--lead-in", wrong)[0] == 2


def test_bare_files_are_read_as_told(given, run, tmp_path, hall):
    calls = given(room_from_exports=hall, estimated_path=None, room_text="")
    given(room_overview=Told(sum_doubtful=False, path_doubtful=False))
    files = [str(tmp_path / name) for name in ("a.txt", "b.txt")]
    for file in files:
        Path(file).touch()
    run("check", *files)
    usual = {"source": "sub", "reading": {}, "profile": "nine_band"}
    usual |= dict.fromkeys(("low_pass", "crossover", "lower_limit"))
    assert calls["room_from_exports"] == ((files,), usual)
    words = ("--level-column", "3", "--level-unit", "dB", "--low-pass", "butterworth", "2", "90")
    run("check", *files, *words)
    found = calls["room_from_exports"][1]
    assert found["reading"] == {"level_column": 3, "level_unit": "dB"}
    assert str(found["low_pass"]) == "low-pass Butterworth 12 dB/oct at 90 Hz"
    for name, nearest in (("a.tx", " (nearest there: 'a.txt')"), ("unlike", "")):
        said = f"{tmp_path / name}: there is no such file or folder{nearest}"
        assert run("check", tmp_path / name) == (2, "", said)
