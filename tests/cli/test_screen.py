"""What a calibrator sees: every output fits the screen, piped or not, and no word is broken."""

import fcntl
import io
import os
import re
import shutil
import struct
import subprocess
import sys
import termios

import pytest
from joining_rooms import JOINED_TOML, write_joined_room
from places import SAMPLES
from sample_jobs import JOBS, computed_once, once, put_jobs  # noqa: F401

from roomeq.base.doing import watched
from roomeq.cli import commands
from roomeq.cli.main import main
from roomeq.jobs.join import join
from roomeq.jobs.propose import propose
from roomeq.optimiser.several import choose
from roomeq.report.text import terminal

CABIN, FERRY = str(SAMPLES / "lakeside_cabin"), str(SAMPLES / "ferry_office")


class Screen(io.StringIO):
    encoding = "utf-8"

    def isatty(self):
        return True


@pytest.fixture
def seen(monkeypatch):
    """Run a command in a terminal of so many columns; return status, output and messages."""

    def run(columns, *words):
        monkeypatch.setenv("TERM", "xterm")
        monkeypatch.setattr(terminal, "PATIENCE", 1e6)
        size = os.terminal_size((columns, 40))
        monkeypatch.setattr(terminal.shutil, "get_terminal_size", lambda *_, **__: size)
        out, err = Screen(), Screen()
        monkeypatch.setattr(sys, "stdout", out)
        monkeypatch.setattr(sys, "stderr", err)
        return main([str(word) for word in words]), out.getvalue(), err.getvalue()

    return run


@pytest.fixture(scope="module")
def plans(tmp_path_factory):
    kept = {room: tmp_path_factory.mktemp("plans") / "plan.json" for room in (CABIN, FERRY)}
    with pytest.MonkeyPatch.context() as patched:
        put_jobs(patched)
        for room, path in kept.items():
            main(["propose", room, "--plan", str(path)])
    return kept


def words_of(text):
    return {word for word in text.split() if not re.fullmatch(r"-+|[│█▌▐]+", word)}


def fits(seen, *command, most):
    texts = {}
    for columns in (80, 120):
        _, texts[columns], _ = seen(columns, *command)
        assert max(map(len, texts[columns].splitlines())) <= columns, command
    # what is a word on a narrow screen is one on a wide one
    assert words_of(texts[80]) == words_of(texts[120])
    assert len(texts[80].splitlines()) <= most
    return texts[80]


AIMS = {
    "bell_foundry": {"check": 63, "propose": 70, "join": 60},
    "brick_cellar": {"check": 60, "propose": 45},
    "ferry_office": {"check": 60, "propose": 70, "join": 70},
    "lakeside_cabin": {"check": 60, "propose": 45},
    "mill_loft": {"check": 60, "propose": 45},
    "rented_hall": {"check": 60, "propose": 45},
    "village_library": {"check": 60, "propose": 45},
}
"""Lines of 80 columns that a command may fill at most: a check 60, one subwoofer 45, joined 70.

The foundry's check has a table of each subwoofer besides."""


@pytest.mark.usefixtures("computed_once")
@pytest.mark.parametrize("room", AIMS)
def test_what_is_told_at_first_glance_is_short(seen, monkeypatch, room):
    """In a terminal, where bars take room, and in a pipe."""
    assert set(AIMS) == {path.parent.name for path in SAMPLES.glob("*/room.toml")}
    if room == "bell_foundry":  # searched briefly, and not for others
        monkeypatch.setattr(choose, "EVALUATIONS_EACH", 200)
        for name, job in (("join", join), ("propose", propose)):
            monkeypatch.setattr(commands, name, once(job))
    for command, most in AIMS[room].items():
        texts = [seen(80, command, SAMPLES / room)[1], io.StringIO()]
        monkeypatch.setattr(sys, "stdout", texts[1])
        main([command, str(SAMPLES / room)])
        for text in (texts[0], texts[1].getvalue()):
            lines = text.splitlines()
            assert max(map(len, lines)) <= 80
            assert 20 < len(lines) <= most, (command, len(lines))
            assert "\n\n\n" not in text


@pytest.mark.parametrize(
    ("room", "options", "most"),
    [(CABIN, (), 50), (FERRY, (), 80), (CABIN, ("--detail",), 90), (FERRY, ("--detail",), 110)],
)
def test_plans_fit_with_their_bars(seen, plans, room, options, most):
    text = fits(seen, "show", plans[room], *options, most=most)
    assert text.count("│") == 9


@pytest.mark.usefixtures("computed_once")
@pytest.mark.parametrize(("room", "most"), [(CABIN, 60), (FERRY, 70)])
@pytest.mark.parametrize("options", [(), ("--detail",)])
def test_checks_fit(seen, room, options, most):
    fits(seen, "check", room, *options, most=most + 60 * len(options))


@pytest.mark.usefixtures("computed_once")
def test_a_joining_fits(seen, monkeypatch):
    # with and without detail a room of levels and phases is read alike
    monkeypatch.setattr(commands, "read_room", lambda path, **_: JOBS["read_room"](path))
    text = fits(seen, "join", FERRY, "--detail", most=110)
    assert text.rstrip().splitlines()[-1].startswith("Safety: ")


@pytest.mark.usefixtures("computed_once")
def test_a_verification_fits(seen, plans):
    fits(seen, "verify", plans[CABIN], CABIN, most=50)


def test_help_fits_and_holds_all_of_the_safety(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    for command in ([], ["check"], ["join"], ["propose"], ["verify"], ["show"], ["sheet"]):
        with pytest.raises(SystemExit):
            main([*command, "--help"])
        text = capsys.readouterr().out
        assert max(map(len, text.splitlines())) <= 80
        assert ("never lift a protective earth" in " ".join(text.split())) == (not command)


def test_messages_fit_a_terminal_and_are_one_line_elsewhere(seen, capsys):
    _, _, err = seen(80, "join", SAMPLES / "rented_hall")
    assert max(map(len, err.splitlines())) <= 80
    assert len(err.splitlines()) > 1


def test_in_a_pipe_nothing_but_the_page_is_written(capsys, plans):
    assert main(["show", str(plans[CABIN])]) == 0
    done = capsys.readouterr()
    assert done.err == ""
    assert done.out.isascii()
    assert "\x1b" not in done.out
    assert max(map(len, done.out.splitlines())) <= 80


def test_a_real_terminal_has_its_own_width(plans):
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 96, 0, 0))
    known = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")}
    # what is asked for is standard output: the others may be none
    done = subprocess.Popen(
        [sys.executable, "-m", "roomeq", "show", str(plans[FERRY])],
        env=known | {"TERM": "xterm", "PYTHONIOENCODING": "utf-8"},
        stdin=subprocess.DEVNULL, stdout=theirs, stderr=subprocess.PIPE,
    )  # fmt: skip
    os.close(theirs)
    text = b""
    while True:
        try:
            part = os.read(ours, 65536)
        except OSError:  # Linux: all is closed on the other side
            break
        if not part:
            break
        text += part
    os.close(ours)
    assert done.communicate(timeout=30)[1] == b""
    assert 80 < max(map(len, text.decode().splitlines())) <= 96


OFFERED = '{ family = "linkwitz_riley", orders = [4], corners = [80, 100] }\n'


def test_progress_names_the_file_and_how_many_of_how_many(seen, monkeypatch, tmp_path):
    heard = []
    monkeypatch.setattr(
        terminal, "watched", lambda by: watched(lambda words: (heard.append(words), by(words)))
    )
    offered = f"[processor]\nsame_corner = true\nlow_pass = {OFFERED}high_pass = {OFFERED}"
    toml = JOINED_TOML.replace("[processor]\n", offered)
    seen(80, "join", write_joined_room(tmp_path, toml=toml, sources=("sub", "mains")))
    assert "reading mains_0.txt, 2 of 4" in heard
    assert "joining at 100 Hz, 2 of 2" in heard
    heard.clear()
    seen(80, "propose", CABIN)
    assert "reading sofa_middle.tsv, 2 of 6" in heard
    assert "choosing without reading bench, 6 of 6" in heard


def test_join_says_first_that_no_mains_were_measured(seen):
    status, out, err = seen(120, "join", SAMPLES / "lakeside_cabin")
    assert (status, out) == (2, "")
    assert err.startswith("roomeq: no mains were measured: join needs them")


def test_a_plan_that_cannot_be_kept_is_refused_before_it_is_made(seen, monkeypatch, tmp_path):
    monkeypatch.setattr(commands, "propose", lambda *_, **__: 1 / 0)
    status, out, err = seen(120, "propose", CABIN, "--plan", tmp_path / "no" / "plan.json")
    assert (status, out) == (2, "")
    assert "No such file or directory" in " ".join(err.split())


def test_verify_lists_the_seats_of_the_plan(seen, plans, tmp_path):
    status, _, err = seen(120, "verify", plans[CABIN])
    assert status == 2
    assert "has the seats sofa left, sofa middle, sofa right," in " ".join(err.split())
    room = tmp_path / "room"
    shutil.copytree(CABIN, room, ignore=shutil.ignore_patterns("truth"))
    text = (room / "room.toml").read_text("utf-8")
    assert text.count('"reading bench"') == 2
    (room / "room.toml").write_text(text.replace('"reading bench"', '"bench"'), "utf-8")
    _, out, err = seen(120, "verify", plans[CABIN], room)
    assert "seat bench is none of the plan's, which are sofa left, sofa middle" in err
    assert "Not measured again: reading bench." in out
