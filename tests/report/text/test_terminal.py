"""Bars and progress: only where a terminal can show them."""

import io
import os
import time

import msgspec
import pytest
from places import SAVED_PLANS

from roomeq.plan.plan import read_plan
from roomeq.report.text import terminal
from roomeq.report.text.layout import WIDTH
from roomeq.report.text.plan import plan_text
from roomeq.report.text.terminal import BAR_CELLS, bars_wanted, gain_bar, progress


class Stream(io.StringIO):
    def __init__(self, terminal=True, encoding="utf-8"):
        super().__init__()
        self.terminal, self.name_of_encoding = terminal, encoding

    def isatty(self):
        return self.terminal

    @property
    def encoding(self):
        return self.name_of_encoding


@pytest.fixture(autouse=True)
def wide(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(
        terminal.shutil, "get_terminal_size", lambda *_, **__: os.terminal_size((120, 40))
    )


@pytest.fixture(scope="module")
def plan():
    return read_plan(SAVED_PLANS / "format_1.json")


@pytest.mark.parametrize(
    ("gain_db", "bar"),
    [  # -12 to +6 dB in six cells: 3 dB a cell, 1.5 dB a half
        (0.0, "    │  "),
        (-12.0, "████│  "),
        (-3.0, "   █│  "),
        (-4.5, "  ▐█│  "),
        (-0.5, "   ▐│  "),  # what is not zero shows
        (3.0, "    │█ "),
        (4.5, "    │█▌"),
        (6.0, "    │██"),
        (9.0, "    │██"),  # beyond the range: full, never longer
    ],
)
def test_bar_is_as_long_as_the_gain(gain_db, bar):
    assert gain_bar(gain_db, lowest_db=-12, highest_db=6) == bar


@pytest.mark.parametrize("lowest_db", [-30.0, -12.0, -1.0, 0.0])
@pytest.mark.parametrize("gain_db", [-30.0, -0.1, 0.0, 5.0])
def test_bars_of_any_range_are_equally_wide(lowest_db, gain_db):
    assert len(gain_bar(gain_db, lowest_db=lowest_db, highest_db=5.0)) == BAR_CELLS + 1


def test_bars_need_a_wide_utf8_terminal(monkeypatch):
    assert bars_wanted(Stream())
    assert bars_wanted(Stream(encoding="UTF8"))
    assert not bars_wanted(Stream(terminal=False))
    assert not bars_wanted(Stream(encoding="iso8859-1"))
    assert not bars_wanted(Stream(encoding=None))
    assert not bars_wanted(None)  # closed
    narrow = os.terminal_size((WIDTH - 1, 40))
    monkeypatch.setattr(terminal.shutil, "get_terminal_size", lambda *_, **__: narrow)
    assert not bars_wanted(Stream())
    monkeypatch.undo()
    monkeypatch.setenv("TERM", "dumb")
    assert not bars_wanted(Stream())


def test_a_plan_with_bars_says_the_same_and_fits(plan):
    plain, drawn = plan_text(plan), plan_text(plan, bars=True)
    assert plain.isascii() == plan.room.isascii()
    titles = next(line for line in drawn.splitlines() if "Gain" in line)
    order = ["Band", "Now", "Set to", "Gain", "Error", "Left", "Why"]
    assert [titles.index(name) for name in order] == sorted(titles.index(name) for name in order)
    for band in plan.bands:
        line = next(x for x in drawn.splitlines() if x.strip().startswith(f"{band.label} Hz "))
        before, after = line.split("│")
        assert float(before.split("Hz")[1].split()[1]) == band.gain_db
        assert ("█" in before or "▐" in before) == (band.gain_db < 0)
        assert ("█" in after or "▌" in after) == (band.gain_db > 0)
    assert max(map(len, drawn.splitlines())) <= WIDTH


def test_a_wider_range_is_drawn_on_its_own_scale(plan):
    device = msgspec.structs.replace(plan.device, lowest_db=-6.0, highest_db=6.0)
    drawn = plan_text(msgspec.structs.replace(plan, device=device), bars=True)
    assert drawn != plan_text(plan, bars=True)


def test_progress_speaks_only_after_a_while_and_cleans_up(monkeypatch):
    monkeypatch.setattr(terminal, "PATIENCE", 0.01)
    stream = Stream()
    with progress("weighing", stream):
        deadline = time.monotonic() + 5
        while "weighing" not in stream.getvalue() and time.monotonic() < deadline:
            time.sleep(0.005)
    assert "roomeq: weighing, 0 s" in stream.getvalue()
    assert stream.getvalue().endswith("\r\x1b[K")  # ECMA-48: erase to the end of the line
    assert "\n" not in stream.getvalue()


def test_short_work_and_pipes_stay_silent(monkeypatch):
    stream = Stream()
    with progress("weighing", stream):
        pass
    assert stream.getvalue() == ""
    monkeypatch.setattr(terminal, "PATIENCE", 0.0)
    silent = Stream(terminal=False)
    with progress("weighing", silent):
        time.sleep(0.02)
    assert silent.getvalue() == ""


def test_progress_ends_with_an_error_too(monkeypatch):
    monkeypatch.setattr(terminal, "PATIENCE", 0.0)
    stream = Stream()

    def fail():
        with progress("weighing", stream):
            deadline = time.monotonic() + 5
            while not stream.getvalue() and time.monotonic() < deadline:
                time.sleep(0.005)
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        fail()
    assert stream.getvalue().endswith("\r\x1b[K")
    length = len(stream.getvalue())
    time.sleep(0.3)
    assert len(stream.getvalue()) == length
