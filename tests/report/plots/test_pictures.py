"""Pictures as files: which there are, what is told of the others, and what is never replaced."""

import sys
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from drawn_plots import closed_figures, sample_plan  # noqa: F401
from headroom_rooms import EVERYTHING, HEADROOM, write_room
from matplotlib import pyplot as plt
from matplotlib.font_manager import findfont, get_font
from quality_recordings import clean
from recording_rooms import slammed
from recording_rooms import write_room as write_recordings

from roomeq.base.errors import FileFaultError, RoomeqError
from roomeq.base.levels import amplitude_ratio
from roomeq.importers.room import read_room
from roomeq.jobs.propose import propose
from roomeq.jobs.verify import verify
from roomeq.report.plots import pictures
from roomeq.report.plots.pictures import PICTURES, Subject, write_picture, write_pictures
from roomeq.report.plots.style import fonts_for

PNG, SVG = b"\x89PNG\r\n\x1a\n", b"<?xml"
SWEPT = ["impulse_response", "distortion", "decay_times", "decay_lines"]
LOUD = ["drive", "power", "displacement"]
SEVERAL = ["subwoofers", "variation"]
JOINED = ["joining", "delay_map", "parts"]
LOCKED = "\n[limits]\nlocked = [20, 25, 31.5, 40, 50, 63, 80, 100, 125]\n"
PLANNED = ["prediction", "every_seat", "band_gains", "equaliser", "extra_drive"]


def subject(name):
    room, plan = sample_plan(name)
    return Subject(room=room, plan=plan)


def names(written):
    """Return the names of the files without folder and ending."""
    return [path.replace("\\", "/").rsplit("/", 1)[1].rsplit(".", 1)[0] for path in written.files]


def test_a_room_of_levels_bears_what_levels_tell(tmp_path, unwritten):
    unwritten += ["seats", "every_seat"]  # an axes and a figure
    folder = tmp_path / "pictures"
    written = write_pictures(subject("rented_hall"), folder)
    assert names(written) == ["seats", "seat_differences", *PLANNED]
    assert [str(path) for path in sorted(folder.iterdir())] == sorted(written.files)
    assert all((folder / f"{name}.png").read_bytes().startswith(PNG) for name in unwritten)
    assert written.not_made == {
        "signal_to_noise": "no measurement tells its noise",
        **dict.fromkeys(["phase", "group_delay"], "no measurement has phase"),
        **dict.fromkeys(SWEPT, "needs a recorded sweep, and there is none"),
        **dict.fromkeys(LOUD, "no level is wanted (wanted_spl_db in [headroom])"),
        **dict.fromkeys(JOINED, "subwoofer and mains are not joined"),
        **dict.fromkeys(SEVERAL, "there is one subwoofer"),
    }
    assert set(PICTURES) == {*names(written), *written.not_made}
    assert not plt.get_fignums()
    lines = str(written).splitlines()
    assert lines[0] == "Pictures kept"
    assert "Not made: phase, group_delay: no measurement has phase" in lines


@pytest.mark.usefixtures("unwritten")
def test_a_joined_room_bears_its_joining(tmp_path):
    room = write_pictures(subject("ferry_office"), tmp_path, only=JOINED)
    assert names(room) == JOINED


@pytest.mark.usefixtures("unwritten")
def test_what_a_plan_alone_bears(tmp_path):
    plan = Subject(plan=sample_plan("ferry_office")[1])
    alone = write_pictures(plan, tmp_path)
    assert names(alone) == [*PLANNED, *JOINED]
    measured = set(PICTURES) - {*PLANNED, *JOINED, *LOUD, *SEVERAL}
    reason = "a plan does not keep the measurements: give the room"
    assert {name for name, why in alone.not_made.items() if why == reason} == measured


def test_every_recording_that_is_clean_has_its_own(tmp_path, unwritten):
    unwritten.append("decay_lines_sofa")
    seats = [("sofa", "sofa.wav", clean()), ("sofa", "sofa_again.wav", clean(seed=1))]
    folder = write_recordings(tmp_path, [*seats, ("bench", "bench.wav", slammed())], more=LOCKED)
    room = read_room(folder, detail=True)
    assert len(room.recordings) == 3
    found = Subject(room=room, plan=propose(room))
    written = write_pictures(found, tmp_path / "pictures", only=[*SWEPT, "signal_to_noise"])
    own = [f"{name}_{file}" for name in SWEPT for file in ("sofa", "sofa_again")]
    assert names(written) == [*own, "signal_to_noise"]
    slam = tuple(one for one in room.recordings if one.impulse_response is None)
    assert [one.file for one in slam] == ["bench.wav"]
    spoilt = replace(found, room=replace(room, recordings=slam))
    with pytest.raises(ValueError, match="every one holds other sounds"):
        write_pictures(spoilt, tmp_path, only=SWEPT)
    plain = replace(room.recordings[0], distortion=None)  # the sweep was not described
    told = write_pictures(
        replace(found, room=replace(room, recordings=(plain,))), tmp_path, only=SWEPT[:2]
    )
    assert told.not_made == {"distortion": "nothing is known of it"}


@pytest.mark.usefixtures("unwritten")
@pytest.mark.parametrize(("tables", "made"), [(EVERYTHING, LOUD), (HEADROOM, LOUD[:1])])
def test_what_the_wanted_level_asks(tmp_path, tables, made):
    room = read_room(write_room(tmp_path, tables, LOCKED))
    found = Subject(room=room, plan=propose(room))
    written = write_pictures(found, tmp_path / "pictures", only=LOUD)
    assert names(written) == made
    reason = "amplifier, load, driver or measuring voltage are not known"
    assert written.not_made == dict.fromkeys(LOUD[len(made) :], reason)


@pytest.mark.usefixtures("unwritten")
def test_without_a_plan_what_the_room_needs_is_proposed(tmp_path, monkeypatch):
    room, plan = sample_plan("rented_hall")
    monkeypatch.setattr(pictures, "propose", {room: plan}.get)
    written = write_pictures(Subject(room=room), tmp_path, only=["band_gains"])
    assert names(written) == ["band_gains"]


@pytest.mark.usefixtures("unwritten")
def test_where_nothing_can_be_proposed_the_measurements_are_drawn(tmp_path, monkeypatch):
    asked = []

    def refuse(room):
        asked.append(room)
        raise RoomeqError("why")

    monkeypatch.setattr(pictures, "propose", refuse)
    found = Subject(room=sample_plan("rented_hall")[0])
    written = write_pictures(found, tmp_path, only=["seats"])
    assert asked == []  # nothing is proposed for a picture that does not show it
    written = write_pictures(found, tmp_path)
    assert names(written) == ["seats", "seat_differences"]
    assert {written.not_made[name] for name in PLANNED} == {"nothing can be proposed: why"}
    assert len(asked) == 1


@pytest.mark.usefixtures("unwritten")
def test_one_seat_does_not_differ(tmp_path):
    room = sample_plan("rented_hall")[0]
    survey = room.survey
    for seat in survey.seats[1:]:
        survey = survey.without_seat(seat)
    found = Subject(room=replace(room, survey=survey))
    written = write_pictures(found, tmp_path, only=["seats", "seat_differences"])
    assert written.not_made == {"seat_differences": "there is one seat only"}


def test_nothing_but_a_picture_of_ours_is_replaced(tmp_path, monkeypatch):
    some = {"seats": PICTURES["seats"], "blank": lambda of: plt.figure(figsize=(1, 1))}
    monkeypatch.setattr(pictures, "PICTURES", some)
    found = subject("rented_hall")
    first = write_pictures(found, tmp_path, only=["seats", "blank"])
    before = (tmp_path / "seats.png").read_bytes()
    again = write_pictures(found, tmp_path, only=["seats"])
    assert (tmp_path / "seats.png").read_bytes() == before  # the same from the same
    assert first.earlier == again.earlier == ()
    alone = write_pictures(Subject(plan=found.plan), tmp_path)
    assert alone.earlier == (str(tmp_path / "seats.png"),)  # it does not belong to these
    assert f"Of an earlier run: {tmp_path / 'seats.png'}" in str(alone)
    plt.figure().savefig(tmp_path / "seats.png")  # a picture of somebody else
    other = (tmp_path / "seats.png").read_bytes()
    with pytest.raises(FileFaultError, match=r"seats\.png: exists and is not a picture"):
        write_pictures(found, tmp_path, only=["seats"])
    assert (tmp_path / "seats.png").read_bytes() == other
    assert write_pictures(Subject(plan=found.plan), tmp_path).earlier == ()
    taken = tmp_path / "room.toml"
    taken.write_text("format = 1\n", "utf-8")
    with pytest.raises(OSError, match=r"room\.toml"):
        write_pictures(found, taken, only=["seats"])
    assert taken.read_text("utf-8") == "format = 1\n"


def test_the_page_is_as_large_as_matplotlib_makes_it(tmp_path):
    def page(written):
        figure = plt.figure(layout="constrained")
        figure.subplots().set_ylabel("level (dB)")
        written(figure)
        return plt.imread(tmp_path / "page.png").shape[:2]

    def tight(figure):
        figure.savefig(tmp_path / "page.png", bbox_inches="tight", dpi=pictures._DOTS_PER_INCH)

    wanted = page(tight)
    (tmp_path / "page.png").unlink()
    ours = page(lambda figure: write_picture(figure, tmp_path / "page.png"))
    assert ours == pytest.approx(wanted, abs=1)


def test_svg_is_the_same_every_time_and_replaces_its_like(tmp_path):
    found = subject("rented_hall")
    write_pictures(found, tmp_path, only=["band_gains"], form="svg")
    before = (tmp_path / "band_gains.svg").read_bytes()
    assert before.startswith(SVG)
    write_pictures(found, tmp_path, only=["band_gains"], form="svg")
    assert (tmp_path / "band_gains.svg").read_bytes() == before
    (tmp_path / "band_gains.svg").write_text("<svg></svg>", "utf-8")
    with pytest.raises(FileFaultError, match="not a picture"):
        write_pictures(found, tmp_path, only=["band_gains"], form="svg")


def test_a_wrong_name_is_answered_with_the_list(tmp_path):
    with pytest.raises(ValueError, match="no picture is called 'seat'; there are seats, seat_diff"):
        write_pictures(subject("rented_hall"), tmp_path / "pictures", only=["seat"])
    assert not (tmp_path / "pictures").exists()


def test_without_matplotlib_the_remedy_is_said(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(RoomeqError, match=r"roomeq\[report\]"):
        write_pictures(subject("rented_hall"), tmp_path / "pictures")
    assert not (tmp_path / "pictures").exists()


def test_the_page_names_its_room_and_takes_any_name(tmp_path):
    room, plan = sample_plan("rented_hall")
    seats = {seat.seat: f"_{number}$\\nothing{{$ row" for number, seat in enumerate(plan.seats)}
    entries = tuple(replace(m, seat=seats[m.seat]) for m in room.survey.measurements)
    odd = replace(
        room, name="Halle $5_3$", survey=replace(room.survey, measurements=entries, seat_weights={})
    )
    named = msgspec.structs.replace(
        plan,
        seats=tuple(msgspec.structs.replace(seat, seat=seats[seat.seat]) for seat in plan.seats),
    )
    found = Subject(room=odd, plan=named)
    written = write_pictures(found, tmp_path, form="svg", only=["seats", "every_seat"])
    assert names(written) == ["seats", "every_seat"]
    # text is drawn as outlines, each preceded by what it says
    text = (tmp_path / "seats.svg").read_text("utf-8")
    assert "<!-- Halle $5_3$" in text
    assert "<!-- A  _0$" in text  # no formula, and no name that hides its line


def test_letters_of_other_fonts_and_of_none(tmp_path, unwritten):
    room = sample_plan("rented_hall")[0]
    written = write_pictures(Subject(room=room), tmp_path, only=["seats"])
    assert written.boxes == ""
    unwritten.append("seats")
    # a hieroglyph of Anatolia, which the fonts of matplotlib lack
    nobody = replace(room, name="\U00014400 hall")
    written = write_pictures(Subject(room=nobody), tmp_path / "boxes", only=["seats"])
    assert written.boxes == "\U00014400"
    assert "Drawn as boxes, for no font here has them: \U00014400" in str(written)
    own, other = (get_font(findfont(name)) for name in ("DejaVu Sans", "STIXSizeOneSym"))
    foreign = sorted(set(other.get_charmap()) - set(own.get_charmap()))
    letter = next(chr(code) for code in foreign if chr(code).isprintable())
    with fonts_for(f"a {letter}") as boxes:
        families = plt.rcParams["font.family"][1:]
    assert boxes == ""
    assert any(get_font(findfont(name)).get_char_index(ord(letter)) for name in families)
    assert plt.rcParams["font.family"] == ["sans-serif"]


@pytest.mark.usefixtures("unwritten")
def test_pictures_of_a_verification(tmp_path):
    room, plan = sample_plan("rented_hall")
    change = np.array(plan.curves.predicted_level_db) - np.array(plan.curves.before_level_db)
    rows = dict(zip([seat.seat for seat in plan.seats], change, strict=True))
    entries = tuple(
        replace(m, response=m.response.filtered(amplitude_ratio(rows[m.seat])))
        for m in room.survey.measurements
    )
    again = replace(room, survey=replace(room.survey, measurements=entries))
    found = Subject(room=again, plan=plan, found=verify(plan, again.survey))
    assert names(write_pictures(found, tmp_path)) == ["verification"]
