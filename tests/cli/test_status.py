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
from roomeq.device.crossover import CrossoverFilter
from roomeq.importers.room import read_room

HALL, TEXT, JSON = str(SAMPLES / "rented_hall"), "in words\n", '{"told": true}\n'
ODD, SLAM = "two seats look exchanged", "a slam"
SIGNED = ("--date", "2024-05-31", "--by", "A. Nother")
SIGNS, UNSIGNED = {"date": date(2024, 5, 31), "by": "A. Nother"}, {"date": None, "by": None}


class Told(SimpleNamespace):
    """What a job returns, with the attributes that a command looks at."""

    def to_json(self):
        return JSON.encode()

    def __str__(self):
        return TEXT

    def but(self, **changes):
        return Told(**vars(self) | changes)


PLAN = Told(reservations=(), no_change=None, joining="joining", assumptions=("a",))
SEEN, SURE = Told(sum_doubtful=False, path_doubtful=False), Told(agrees=True)
JOINED, TRUE = Told(record="sum", settled="set", doubtful=False), Told(stated_as_planned=True)
TRUE, MEASURED = TRUE.but(agrees=True, level=SURE), Told(all_told=True, any_told=True)
DONE, VOICED = Told(status="done", doubtful=False), Told(rooms=("a", "b"), plan=PLAN)
VOICED.record = lambda needed: f"record {needed}"
JOBS = {
    "estimated_path": "path", "room_overview": SEEN, "rank_places": Told(), "join": JOINED,
    "propose": PLAN, "verify": TRUE, "compare": Told(unchanged=True), "look_into": "found",
    "write_pictures": Told(not_made={}), "check_pictures": None, "write_plan": None,
    "measure_device": MEASURED, "write_measured_profile": None, "write_picture": None,
    "propose_many": Told(rows=lambda: [DONE, DONE], out=Path("o")), "voice": VOICED,
    "rooms_needed": "needed", "plot_rooms": "of rooms", "plot_voicing": "voiced",
    "json_text": JSON.encode(),
    "write_settings_sheet": None, "read_plan": PLAN.but(seats=()), "playback_signal": "signal",
    "write_sweep": [Path("a.wav"), Path("a.json")], "room_file_text": "format = 1\n",
    "start_text": "begun",
}  # fmt: skip
TEXTS = ("room", "places", "room_joining", "plan", "verification", "comparison", "device", "batch")
JOBS |= {f"{name}_text": TEXT for name in (*TEXTS, "voicing", "keys", "sweep")}


@pytest.fixture(scope="module")
def hall():
    return read_room(HALL)


@pytest.fixture
def given(monkeypatch, hall):
    """Put values or functions in the place of what the commands call, and note the last calls."""
    calls = {}

    def noted(name, value):
        def call(*words, **others):
            calls[name] = (words, others)
            return value(*words, **others) if callable(value) else value

        return call

    def put(*, findings=(), alarms=(), **names):
        room = replace(hall, findings=findings)
        known = {"read_room": room, "room_from_exports": room, "alarm_texts": list(alarms)} | JOBS
        seats = [Told(seat=seat) for seat in hall.survey.seats]
        known["read_plan"] = known["read_plan"].but(seats=seats)
        for name, value in (known | names).items():
            monkeypatch.setattr(commands, name, noted(name, value))
        return calls

    return put


@pytest.fixture
def run(capsys):
    def command(*words):
        status = main([str(word) for word in words])
        printed = capsys.readouterr()
        return status, printed.out, printed.err.replace("roomeq: ", "").splitlines()

    return command


FIRST = PLAN.but(reservations=("first",))
FAILED, DOUBTED = ([DONE, DONE.but(**one)] for one in ({"status": "failed"}, {"doubtful": True}))
OUTCOMES = {
    ("check", HALL): [
        ({"findings": (ODD,)}, 1), ({"room_overview": SEEN.but(sum_doubtful=True)}, 1),
        ({"room_overview": SEEN.but(path_doubtful=True)}, 1)],
    ("places", HALL): [({"findings": (ODD,)}, 1), ({"alarms": (SLAM,)}, 0)],
    ("join", HALL): [({"findings": (ODD,), "alarms": (SLAM,)}, 1),
                     ({"join": JOINED.but(doubtful=True)}, 1)],
    ("propose", HALL): [({"findings": (ODD,)}, 1), ({"propose": FIRST}, 1),
                        ({"propose": PLAN.but(no_change="enough")}, 1)],
    ("verify", "p.json", HALL): [
        ({"alarms": (SLAM,)}, 1), ({"verify": TRUE.but(agrees=False)}, 1),
        ({"verify": TRUE.but(level=Told(agrees=False))}, 1),
        ({"verify": TRUE.but(stated_as_planned=False)}, 1)],
    ("compare", HALL, HALL): [({"compare": Told(unchanged=False)}, 1), ({"alarms": (SLAM,)}, 1)],
    ("plot", HALL): [({"findings": (ODD,), "alarms": (SLAM,)}, 1),
                     ({"write_pictures": Told(not_made={"phase": "none"})}, 0)],
    ("plot", HALL, "--only", "phase"): [({"write_pictures": Told(not_made={"phase": "none"})}, 1)],
    ("device", "--flat", "f"): [({"measure_device": MEASURED.but(all_told=False)}, 1)],
    ("batch", "a", "--out", "o"): [
        ({"propose_many": Told(rows=lambda: FAILED)}, 1),
        ({"propose_many": Told(rows=lambda: DOUBTED)}, 1)],
    ("voice", "m.toml"): [({"findings": (ODD,)}, 1), ({"voice": VOICED.but(plan=FIRST)}, 1)],
    ("show", "p.json"): [],
}  # fmt: skip
SAYS = {"join": 3, "plot": 3, "places": 1, "verify": 1, "compare": 1}  # alarms, findings, or both


@pytest.mark.parametrize("words", OUTCOMES, ids=" ".join)
def test_status_and_streams(given, run, words):
    for changed, status in [({}, 0), *OUTCOMES[words]]:
        for json in (False, True):
            given(**changed)
            says = SAYS.get(words[0], 2 if json and words[0] == "propose" else 0)
            said = list(changed.get("alarms", ())) * (says & 1) * (1 + (words[0] == "compare"))
            said += list(changed.get("findings", ())) * (says >> 1)
            told = (status, JSON if json else TEXT, said)
            assert run(*words, *["--json"] * json) == told, changed


def test_one_of_two_surveys_that_is_spoilt_is_enough(given, run, hall):
    for spoilt in ("one", "two"):
        given(
            read_room=lambda name: replace(hall, name=name), recording_rows=lambda room: room.name,
            alarm_texts=lambda name, spoilt=spoilt: [SLAM] * (name == spoilt),
        )  # fmt: skip
        assert run("compare", "one", "two") == (1, TEXT, [SLAM])


SWEPT = {"start": 11.0, "stop": 440.0, "length": 3.0, "lead_in": 5.0, "tail": 2.5}
SWEPT |= {"repeats": 2, "channels": 4, "channel": 3}
ASKED = ("compression", "correction", "crossover", "volume", "connection", "equaliser")
CHAIN = ("dynamic_range_compression", "upstream_correction", "crossover", "volume", "output")
SPELLED = SWEPT | {"level": -35.0, "rate": 8000} | dict(zip(ASKED, "abcdef", strict=True))
CONDITIONS = ChainConditions(**dict(zip((*CHAIN, "equaliser"), "abcdef", strict=True)))
SWEEP = SweepDescription(**SWEPT, level_dbfs=-35.0, sample_rate=8000, conditions=CONDITIONS)
MOVED = ("--moved", "40:-6", "a", "--moved", "63:+3", "b", "--low-pass", "80", "c")
DEVICE = {"low_pass": [["80", "c"]], "high_pass": [["25", "d"]]}
BATCH = {"out": "o", "jobs": None, "resume": False, "best": False}
FILE = f"{HALL}/levels.csv"
BARE = {"source": "sub", "reading": {}, "profile": "nine_band"}
BARE |= dict.fromkeys(("low_pass", "crossover", "lower_limit"))
LOW_PASS = CrossoverFilter(kind="low_pass", family="butterworth", order=2, corner=90.0)
REACHES = [  # words, what is called, with what beside its first argument or arguments
    (("check", HALL), "read_room", {"detail": False}),
    (("check", HALL, "--detail"), "read_room", {"detail": True}),
    (("check", HALL, "--detail"), "room_overview", {"detail": True, "estimate": "path"}),
    (("check", HALL, "--detail"), "room_text", {"detail": True, "estimate": "path"}),
    (("check", FILE), "room_from_exports", BARE),
    (("check", FILE, "--level-column", "3", "--level-unit", "dB"), "room_from_exports",
     BARE | {"reading": {"level_column": 3, "level_unit": "dB"}}),
    (("check", FILE, "--low-pass", "butterworth", "2", "90"), "room_from_exports",
     BARE | {"low_pass": LOW_PASS}),
    (("check", FILE, "--low-pass", "none"), "room_from_exports", BARE | {"low_pass": "none"}),
    (("check", FILE, "--source", "both", "--device", "mine", "--crossover", 85,
      "--lower-limit", 24),
     "room_from_exports",
     BARE | {"source": "both", "profile": "mine", "crossover": 85.0, "lower_limit": 24.0}),
    (("plot", HALL), "read_room", {"detail": True}),
    (("places", HALL), "rank_places", {"most": 4}),
    (("places", HALL, "--most", 1), "rank_places", {"most": 1}),
    (("places", HALL, "--detail"), "places_text", {"detail": True}),
    (("join", HALL, "--detail"), "room_joining_text", {"detail": True}),
    (("propose", HALL), "propose", {"best": False} | UNSIGNED),
    (("propose", HALL, "--best", *SIGNED), "propose", {"best": True} | SIGNS),
    (("propose", HALL), "plan_text", {"bars": False, "detail": False}),
    (("show", "p.json", "--detail"), "plan_text", {"bars": False, "detail": True}),
    (("verify", "p.json", HALL), "verify", {"others": {}, "other_room": False}),
    (("compare", HALL, HALL), "compare", {"other_room": False}),
    (("compare", HALL, HALL, "--force"), "compare", {"other_room": True}),
    (("plot", HALL), "write_pictures", {"only": [], "form": "png"}),
    (("plot", HALL, "--form", "svg"), "write_pictures", {"only": [], "form": "svg"}),
    (("device", "--flat", "f", *MOVED, "--high-pass", "25", "d"), "measure_device",
     DEVICE | {"base": "nine_band", "name": None}),
    (("device", "own.toml", "--flat", "f", "--device", "mine"), "measure_device",
     {"low_pass": [], "high_pass": [], "base": "mine", "name": "own"}),
    (("batch", "a", "--out", "o"), "propose_many", BATCH),
    (("batch", "a", "--out", "o", "--best"), "propose_many", BATCH | {"best": True}),
    (("batch", "a", "--out", "o", "--jobs", 3, "--resume"), "propose_many",
     BATCH | {"jobs": 3, "resume": True}),
    (("voice", "m.toml"), "voice", {"criterion": "mean", "flat_source": False} | UNSIGNED),
    (("voice", "m.toml", "--worst-tenth", "--flat-source", *SIGNED), "voice",
     {"criterion": "worst_tenth", "flat_source": True} | SIGNS),
    (("sheet", "a.json", "--output", "o.html"), "write_settings_sheet", {"mixed": False}),
    (("sheet", "a.json", "--output", "o.html", "--mixed"), "write_settings_sheet",
     {"mixed": True}),
    (("sweep", "a.wav", *(x for k, v in SPELLED.items() for x in (f"--{k.replace('_', '-')}", v))),
     "write_sweep", {"sweep": SWEEP, "replace": False}),
    (("sweep", "a.wav", "--force"), "write_sweep", {"sweep": SweepDescription(), "replace": True}),
]  # fmt: skip


@pytest.mark.parametrize(("words", "called", "expected"), REACHES)
def test_every_word_reaches_what_it_is_meant_for(given, run, words, called, expected):
    calls = given()
    assert run(*words)[0] == 0
    assert calls[called][1] == expected


def test_what_is_named_comes_first(given, run, tmp_path, hall):
    calls = given()
    run("device", "--flat", "f", *MOVED)
    assert calls["measure_device"][0] == ("f", [["40:-6", "a"], ["63:+3", "b"]])
    run("plot", HALL)
    (subject, folder) = calls["write_pictures"][0]
    assert (subject.room.name, subject.plan) == (hall.name, None)
    assert folder == Path("rented_hall_pictures")
    run("plot", HALL, "--output", "drawn", "--only", "seats")
    assert calls["write_pictures"][0][1] == Path("drawn")
    assert calls["check_pictures"] == ((["seats"],), {})
    assert run("keys", "target") == (0, TEXT, [])
    assert calls["keys_text"] == (("target",), {})
    assert run("--version") == (0, f"roomeq {version('roomeq')}\n", [])
    page = tmp_path / "page.html"
    told = run("sheet", "music.json", "film.json", "--output", page)
    assert told == (0, f"Settings sheet kept in {page}\n", [])
    assert list(calls["write_settings_sheet"][0][0]) == ["music", "film"]
    assert run("sweep", "a.wav") == (0, TEXT, [])
    assert calls["sweep_text"][1] == {"files": ["a.wav", "a.json"]}
    for wrong in (4.99, "nan"):
        assert run("sweep", "a.wav", "--lead-in", wrong)[0] == 2
    assert run("start", tmp_path) == (0, f"begun\n{TEXT}", [])
    assert calls["look_into"] == ((tmp_path,), {})
    assert (tmp_path / "room.toml").read_text("utf-8") == "format = 1\n"
    given(findings=(ODD,))
    (tmp_path / "again").mkdir()
    assert run("start", tmp_path / "again")[0] == 1


@pytest.mark.parametrize("words", [("join", HALL), ("propose", HALL), ("voice", "m.toml")])
def test_a_plan_is_kept_where_it_is_asked_for(given, run, tmp_path, words):
    calls, kept = given(), str(tmp_path / "plan.json")
    run(*words)
    assert "write_plan" not in calls
    assert run(*words, "--plan", kept) == (0, f"{TEXT}\nPlan kept in {kept}\n", [])
    assert calls["write_plan"] == ((PLAN, kept), {"other_room": False})
    assert run(*words, "--plan", kept, "--json", "--force") == (0, JSON, [])
    assert calls["write_plan"][1] == {"other_room": True}


@pytest.mark.parametrize(
    ("record", "settled", "assumptions", "said"),
    [
        (None, None, (), "levels alone leave a question that is to be decided"),
        ("sum", "set", ("a",), "the measured sum contradicts its parts"),
        (None, "set", ("a", "b are not joined", "c are not joined", "are not joined: 2", "d"),
         "are not joined: 2"),
    ],
)  # fmt: skip
def test_a_joining_that_is_not_kept(given, run, tmp_path, record, settled, assumptions, said):
    found, plan = JOINED.but(record=record, settled=settled), PLAN.but(joining=None)
    calls = given(join=found, propose=plan.but(assumptions=assumptions))
    told = run("join", HALL, "--plan", tmp_path / "plan.json", *SIGNED)
    assert told == (2, TEXT, [f"no plan was kept: {said}"])
    assert "write_plan" not in calls
    if settled:
        joined = None if record else "set"
        assert calls["propose"][1] == {"keep_bands": True, "joined": joined} | SIGNS


def test_pictures_and_profiles_are_written_where_they_are_asked_for(given, run, tmp_path):
    calls, kept = given(), tmp_path / "own.toml"
    run("batch", "a", "--out", "o")
    run("voice", "m.toml")
    run("verify", "p.json", HALL)
    assert not {"check_pictures", "write_picture"} & set(calls)
    run("batch", "a", "--out", "o", "--plot")
    assert calls["plot_rooms"] == (([DONE, DONE],), {})
    assert calls["write_picture"] == (("of rooms", Path("o/rooms.png")), {})
    assert calls.pop("check_pictures")
    run("voice", "m.toml", "--plot", "lost.png")
    assert calls["plot_voicing"] == ((VOICED,), {})
    ((drawn, where), _) = calls["write_picture"]
    assert (drawn, where) == ("voiced", Path("lost.png"))
    assert calls.pop("check_pictures")
    assert calls["voicing_text"][0] == (VOICED, "needed")
    given(voice=VOICED.but(rooms=("a",)))  # of one room there is nothing to be left out
    assert run("voice", "m.toml", "--json") == (0, JSON, [])
    assert calls["json_text"] == (("record ()",), {})
    said = f'{TEXT}\nProfile kept in {kept}: write profile = "own.toml" under [device]\n'
    assert run("device", "--flat", "f", kept) == (0, said, [])
    assert run("device", "--flat", "f", kept, "--json") == (0, JSON, [])
    assert calls["write_measured_profile"] == ((MEASURED, kept), {})


def test_verify_names_others_and_seats_that_are_none(given, run, hall):
    first, unknown, *others = hall.survey.seats
    plan = PLAN.but(seats=[Told(seat=seat) for seat in (first, *others)])
    plans = {"p.json": plan, "music": "one", "film": "two"}
    calls = given(alarms=(SLAM,), read_plan=plans.get)
    told = run("verify", "p.json", HALL, "--other", "music", "--other", "film", "--force")
    gone = f"seat {unknown} is none of the plan's, which are {', '.join((first, *others))}"
    assert told == (1, TEXT, [SLAM, gone])
    known = {"music": "one", "film": "two"}
    assert calls["verify"][1] == {"others": known, "other_room": True}
    for words in ((HALL, "p.json"), ("p.json", "p.json")):
        said = f"{words[0]}: the plan comes first, then the room: verify PLAN ROOM"
        assert run("verify", *words) == (2, "", [said])


def test_a_proposal_from_the_gains_of_another_plan(given, run, tmp_path, hall):
    labels, file = hall.equaliser.labels, tmp_path / "voicing.json"
    file.touch()
    found = Told(together=None, device=Told(labels=labels), gains_db=[0.5 * n for n in range(9)])
    calls = given(is_a_plan=True, read_plan=found)
    assert run("propose", HALL, "--in-force", file)[0] == 0
    ((room,), _) = calls["propose"]
    assert (room.present.gains_db.tolist(), room.present.gains_stated) == (found.gains_db, True)
    assert room.assumptions[:-1] == hall.assumptions
    assert f"with the gains of the plan {file} in force, not those" in room.assumptions[-1]
    found.device.labels = ("1", *labels[1:])
    for together, said in ((None, "speaks of other bands than 20, 25, 31.5"), (1, "sets several")):
        found.together = together
        status, out, (err,) = run("propose", HALL, "--in-force", file)
        assert (status, out) == (2, "")
        assert err.startswith(f"{file} {said}")


def test_what_cannot_be_is_named_with_what_is_near(run, tmp_path):
    said = "--lower-limit is for a bare list of text exports; in a room file write lower_limit of"
    assert run("plot", "plan.json", "--lower-limit", 20) == (2, "", [f"{said} [target]"])
    (tmp_path / "a.txt").touch()
    for name, nearest in (("a.tx", " (nearest there: 'a.txt')"), ("unlike", "")):
        said = f"{tmp_path / name}: there is no such file or folder{nearest}"
        assert run("check", tmp_path / name) == (2, "", [said])
