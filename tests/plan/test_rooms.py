"""Rows of many rooms: the last of each counts, a torn line is none, gains have columns."""

import json
import os
import resource

import pytest
from msgspec.structs import replace
from places import SAVED_PLANS

from roomeq.base.errors import PlanFileError
from roomeq.optimiser.several.task import SeatFigures
from roomeq.plan.plan import read_plan
from roomeq.plan.rooms import Journal, RoomRow, refuse_strangers, rows_frame, write_table
from roomeq.plan.together import TogetherRecord


def row(folder, status="done", **others):
    return RoomRow(folder=folder, status=status, roomeq_version="1", **others)


def test_rows_are_kept_and_a_torn_one_is_cut_off(tmp_path):
    journal = Journal(tmp_path / "new" / "out")
    assert list(journal.rows()) == []
    assert list(journal.append([row("b", "failed"), row("a")])) == [row("b", "failed"), row("a")]
    with journal.path.open("ab") as file:
        file.write(b'{"folder": "torn", "sta')
    assert [one.folder for one in journal.rows()] == ["b", "a"]
    list(journal.append([row("b", best=True)]))
    assert [(one.folder, one.best) for one in journal.rows()] == [
        *(("b", False), ("a", False), ("b", True)),
    ]
    for folder in "ab":
        journal.plan_path(folder).parent.mkdir(exist_ok=True)
        journal.plan_path(folder).touch()
    assert journal.finished(version="1", best=False) == {"a"}
    assert journal.finished(version="1", best=True) == {"b"}
    assert journal.finished(version="2", best=False) == set()
    journal.plan_path("a").unlink()
    assert journal.finished(version="1", best=False) == set()
    with journal.path.open("ab") as file:
        file.write(b'{"folder": 1}\n')
    with pytest.raises(PlanFileError, match=r"rooms\.jsonl.*line 4.*is no row"):
        list(journal.rows())


def test_a_row_is_on_the_disk_before_the_next_is_begun(tmp_path, monkeypatch):
    """What the system was told to put there holds the row, and it was told so for every row."""
    journal, there = Journal(tmp_path), []
    monkeypatch.setattr(os, "fsync", lambda _: there.append(journal.path.read_bytes()))
    for count, one in enumerate(journal.append([row("b"), row("a")]), start=1):
        assert there[-1].count(b"\n") == len(there) == count
        assert one.folder.encode() in there[-1].splitlines()[-1]


def test_a_disk_that_is_full_names_the_journal_and_keeps_the_rows(tmp_path):
    journal = Journal(tmp_path)
    assert len(list(journal.append([row("a"), row("b")]))) == 2
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (journal.path.stat().st_size + 9, limits[1]))
    try:
        with pytest.raises(OSError, match=r"File too large.*rooms\.jsonl"):
            list(journal.append([row("c")]))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert not journal.path.read_bytes().endswith(b"\n")  # nine bytes of the third
    assert [one.folder for one in journal.rows()] == ["a", "b"]
    list(journal.append([row("c")]))
    assert [one.folder for one in journal.rows()] == ["a", "b", "c"]


def test_what_no_run_wrote_is_not_written_over(tmp_path):
    table = write_table(rows_frame([row("a")]), tmp_path)
    journal = Journal(tmp_path)
    with pytest.raises(PlanFileError, match="exists and is not a table of rooms"):
        refuse_strangers(journal)
    list(journal.append([row("a")]))
    refuse_strangers(journal)  # of an earlier run: it gives way
    table.chmod(0o444)
    with pytest.raises(PlanFileError, match="write-protected"):
        refuse_strangers(journal)
    table.unlink()
    journal.path.unlink()
    os.mkfifo(journal.path)  # else the first look into it would wait for ever
    with pytest.raises(PlanFileError, match="is a device"):
        refuse_strangers(journal)


def test_a_row_counts_the_bands_that_move():
    path = SAVED_PLANS / "format_2.json"
    bands = json.loads(path.read_text("utf-8"))["bands"]
    found = RoomRow.of(read_plan(path), folder="f", best=False, doubtful=True)
    assert found.moved == sum(band["gain_db"] != band["present_db"] for band in bands) > 3
    assert list(found.gains_db.values()) == [band["gain_db"] for band in bands]
    assert (found.judged, found.doubtful) == ("sum", True)


def test_figures_of_one_subwoofers_drive_stand_in_no_row_of_several():
    plan = read_plan(SAVED_PLANS / "format_1.json")
    seats = tuple(seat.seat for seat in plan.seats)
    figures = SeatFigures(
        deviation_db=3.0, variation_db=2.0, output_given_up_db=1.0, by_seat_db=(3.0,) * len(seats)
    )
    steps = dict.fromkeys(("before", "after", "best"), figures)
    pair = TogetherRecord(seats=seats, loudness_change_db=0.0, points=(20.0, 40.0), **steps)
    both = {"subwoofers": {"a": plan, "b": plan}, "together": pair}
    rows = [
        RoomRow.of(one, folder="f", best=False, doubtful=False)
        for one in (plan, replace(plan, **both))
    ]
    names = ("filter_boost_db", "drive_boost_db", "drive_ratio", "lower_bound_db")
    drive = plan.evidence
    stated = [drive.filter_boost_db, drive.drive_boost_db, drive.power_ratio, drive.lower_bound_db]
    assert [getattr(rows[0], name) for name in names] == stated
    assert [getattr(rows[1], name) for name in names] == [None] * 4
    assert [len(row.gains_db) for row in rows] == [len(plan.bands), 0]
    assert [row.judged for row in rows] == ["subwoofer", "together"]


def test_the_table_has_one_line_a_room(tmp_path):
    journal, early = Journal(tmp_path), row("b", "failed", message="no mains")
    later = [row("b", gains_db={"31.5": -3.0}), row("a", seats=2)]
    assert list(journal.append([early, *later])) == [early, *later]
    frame = rows_frame(journal.latest())
    assert frame["folder"].tolist() == ["a", "b"]
    assert frame["status"].tolist() == ["done", "done"]
    assert frame["gain_31.5_db"].tolist()[1] == -3.0
    assert frame["gain_31.5_db"].isna().tolist() == [True, False]
    assert "gains_db" not in frame.columns
    assert frame["deviation_after_db"].dtype == float
    written = write_table(frame, tmp_path)
    if written.suffix == ".csv":
        heading, *lines = written.read_text("utf-8").splitlines()
        assert heading.startswith("folder,status,")
        assert [line.split(",")[0] for line in lines] == ["a", "b"]
