"""Room-file tables for joining: what is read, what is refused with its line and remedy."""

import re

import numpy as np
import pytest
from places import SAMPLES

from roomeq.base.errors import RoomFileError
from roomeq.device.crossover import CrossoverFilter
from roomeq.importers.room import read_room
from roomeq.importers.room_file.reading import read_room_file
from roomeq.jobs.join import join
from roomeq.jobs.propose_joined import joining_obstacle

FULL = """\
format = 1
name = "Barn"
[[measurements]]
seat = "sofa"
file = "sub.txt"
source = "sub"
[[measurements]]
seat = "sofa"
file = "mains.txt"
source = "mains"
[[measurements]]
seat = "sofa"
file = "reversed.txt"
source = "difference"
[timing]
common_reference = true
[device.present]
delay_ms = -2.5
[[path]]
kind = "low_pass"
family = "linkwitz_riley"
order = 4
corner = 80
where = "processor"
can_bypass = false
[[path]]
kind = "low_pass"
family = "linkwitz_riley"
order = 4
corner = 80
where = "amplifier"
[[mains_path]]
kind = "high_pass"
family = "butterworth"
order = 2
corner = 80
where = "processor"
[mains]
box = "vented"
corner = 45
tuning = 40
[processor]
delay_lowest_ms = -6.0
delay_highest_ms = 0.0
delay_step_ms = 0.5
same_corner = true
[processor.high_pass]
family = "butterworth"
orders = [2]
corners = [80, 100]
can_bypass = false
[path_response]
file = "close.txt"
"""


@pytest.fixture
def folder(tmp_path):
    axis = np.geomspace(15.0, 500.0, 400)
    for name in ("sub", "mains", "reversed", "close"):
        rows = [f"{f:.4f}\t{80 - 0.01 * f:.3f}\t{10.0:.2f}" for f in axis]
        text = "Hz\tdB\tdeg\n" + "\n".join(rows) + "\n"
        (tmp_path / f"{name}.txt").write_text(text, encoding="utf-8")
    return tmp_path


def room(folder, text=FULL):
    (folder / "room.toml").write_text(text, encoding="utf-8")
    return read_room(folder)


def test_everything_is_read(folder):
    setup = room(folder).joining
    assert setup.common_time_reference is True
    assert setup.present_delay == pytest.approx(-0.0025)
    assert setup.delays is not None
    np.testing.assert_allclose(setup.delays.values, 1e-3 * np.arange(-6.0, 0.1, 0.5), atol=1e-12)
    assert setup.same_corner
    assert setup.fixed == (0,)
    assert setup.low_pass is None
    assert setup.high_pass is not None
    assert setup.high_pass.corners == (80.0, 100.0)
    assert not setup.high_pass.can_bypass
    assert setup.mains is not None
    assert setup.mains.tuning == 40.0
    electrical = CrossoverFilter(
        kind="high_pass", family="butterworth", order=2, corner=80.0, where="processor"
    )
    box = CrossoverFilter(kind="high_pass", family="butterworth", order=4, corner=45.0, where="box")
    assert setup.mains_filters == (electrical, box)
    assert setup.path_response is not None
    assert setup.path_response.taken == "close"
    assert setup.path_response.response.frequencies.size == 400


def test_both_with_one_polarity_reversed_is_a_source_of_its_own(folder):
    survey = room(folder).survey
    assert survey.sources == ("sub", "mains", "difference")
    assert len(survey.of_source("difference").measurements) == 1


def test_the_response_of_the_path_is_among_the_inputs(folder):
    entries = [(entry.role, entry.file) for entry in room(folder).inputs]
    assert ("path_response", "close.txt") in entries
    assert ("measurement", "sub.txt") in entries


def test_close_responses_are_corrected_for_the_microphone_and_electrical_ones_are_not(folder):
    (folder / "mic.txt").write_text("10 -6.0\n1000 0.0\n", encoding="utf-8")
    with_mic = FULL + '[microphone]\nfile = "mic.txt"\nkind = "response"\n'
    close = room(folder, with_mic).joining.path_response
    electrical = room(
        folder, with_mic.replace('"close.txt"', '"close.txt"\ntaken = "electrical"')
    ).joining.path_response
    assert close is not None
    assert electrical is not None
    difference = electrical.response.level_db - close.response.level_db
    tilt = 3.0 * np.log10(close.response.frequencies / 1000.0)  # 6 dB over two decades
    np.testing.assert_allclose(difference, tilt, atol=0.02)  # the file has three decimals


def test_what_is_not_stated_is_said_to_be_taken_for_granted(folder):
    start = FULL.index("[timing]")
    bare = room(folder, FULL[:start])
    assert bare.joining.common_time_reference is None
    assert bare.joining.mains_filters is None
    said = " ".join(bare.assumptions)
    assert "[timing]" in said
    assert "mains' path" in said
    assert "taken for 0 ms" in said
    assert "[timing]" not in " ".join(room(folder).assumptions)
    assert bare.joining.mains_path is None
    # no filter there is a statement too, and without mains nothing of it matters
    none = room(folder, "mains_path = []\n" + FULL[:start])
    assert none.joining.mains_path == ()
    assert "mains' path" not in " ".join(none.assumptions)
    alone = room(folder, FULL[:start].replace('"mains"', '"both"'))
    assert not [text for text in alone.assumptions if "time" in text or "delay" in text]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("delay_ms = -2.5", "delay_ms = 0.0"),
        ("delay_ms = -2.5", "delay_ms = -6.0"),  # the ends are on offer
        (
            "delay_lowest_ms = -6.0\ndelay_highest_ms = 0.0",
            "delay_lowest_ms = -2.5\ndelay_highest_ms = -2.5",  # nothing but what is set
        ),
        ("corners = [80, 100]", "corners = [10]"),
        ("common_reference = true", "common_reference = false"),
    ],
)
def test_what_can_be_is_accepted(folder, old, new):
    assert old in FULL
    (folder / "room.toml").write_text(FULL.replace(old, new), encoding="utf-8")
    assert read_room_file(folder).name == "Barn"


@pytest.mark.parametrize("kind", ["sweep", "band_levels"])
def test_only_sub_and_mains_need_a_time_of_their_own(folder, kind):
    """Both together only check the sum; without a common reference nothing is asked of any."""
    (folder / "sweep.json").write_text("{}", encoding="utf-8")
    played = '[sweep]\ndescription = "sweep.json"\n' if kind == "sweep" else ""

    def read(source, text=FULL):
        stated = text.replace(f'source = "{source}"', f'source = "{source}"\nkind = "{kind}"')
        (folder / "room.toml").write_text(stated + played, encoding="utf-8")
        return read_room_file(folder)

    assert read("difference").name == "Barn"
    free = FULL.replace("common_reference = true", "common_reference = false")
    assert read("sub", free).name == "Barn"
    with pytest.raises(RoomFileError, match=r"'sub\.txt'"):
        read("sub")


def test_without_a_common_reference_the_mains_need_not_be_there(folder):
    text = FULL.replace('"mains"', '"both"').replace("reference = true", "reference = false")
    assert room(folder, text).joining.common_time_reference is False


@pytest.mark.parametrize(
    ("old", "new", "said", "at"),
    [
        (
            "delay_lowest_ms = -6.0",
            "delay_lowest_ms = 6.0",
            "exceeds delay_highest_ms",
            "delay_lowest_ms",
        ),
        ("delay_step_ms = 0.5\n", "", "'delay_step_ms' is missing", "[processor]"),
        ("delay_step_ms = 0.5", "delay_step_ms = 0.0", "not plausible", "delay_step_ms"),
        ("delay_lowest_ms = -6.0", "delay_lowest_ms = -6000.0", "not plausible", "delay_lowest_ms"),
        ("delay_ms = -2.5", "delay_ms = -2500.0", "not plausible", "delay_ms"),
        ("delay_ms = -2.5", "delay_ms = 2.5", "offers (-6 to 0 ms)", "delay_ms"),
        ("delay_ms = -2.5", "delay_ms = -6.5", "is none that [processor]", "delay_ms"),
        ("orders = [2]", "orders = []", "nothing to choose from", "orders"),
        ("orders = [2]", "orders = [9]", "order 9 does not exist", "orders"),
        ("corners = [80, 100]", "corners = [8000]", "not plausible", "corners"),
        ('box = "vented"', 'box = "closed"', "'tuning' belongs to box = \"vented\"", "tuning"),
        ("corner = 45", "corner = 450", "not plausible", "corner = 450"),
        ("tuning = 40", "tuning = 400", "not plausible", "tuning"),
        (
            "[processor.high_pass]",
            '[processor.low_pass]\nfamily = "butterworth"\norders = [2]\ncorners = [10]\n'
            "[processor.high_pass]",
            "not plausible",
            "corners = [10]",
        ),
        (
            'kind = "high_pass"',
            'kind = "low_pass"',
            "no part of a crossover",
            'kind = "low_pass"\nfamily = "butterworth"',
        ),
        (
            'file = "close.txt"',
            'file = "closed.txt"',
            "nearest there: 'close.txt'",
            'file = "close',
        ),
        ("[path_response]", '[path_response]\ntaken = "seat"', '"close", "electrical"', "taken ="),
        ("can_bypass = false\n[[path]]", "[[path]]\ncan_bypas = true", "can_bypass", "can_bypas ="),
    ],
)
def test_what_cannot_be_is_refused_with_its_line(folder, old, new, said, at):
    assert FULL.count(old) >= 1
    text = FULL.replace(old, new, 1)
    with pytest.raises(RoomFileError) as caught:
        room(folder, text)
    assert said in str(caught.value)
    assert f"line {text[: text.index(at)].count(chr(10)) + 1}," in str(caught.value)


def test_a_common_reference_without_mains_is_refused_unless_both_were_measured(folder):
    text = FULL.replace('source = "mains"', 'source = "sub"')
    with pytest.raises(RoomFileError, match="mains were not measured"):
        room(folder, text)
    # what is measured again to verify a joined plan: the subwoofer alone, and both
    again = room(folder, FULL.replace('source = "mains"', 'source = "both"'))
    assert again.joining.common_time_reference
    assert "not measured by themselves" in joining_obstacle(again)
    with pytest.raises(ValueError, match="no mains were measured"):
        join(again)


def test_a_high_pass_of_the_path_cannot_be_bypassed(folder):
    text = FULL.replace('kind = "low_pass"', 'kind = "high_pass"', 1)
    with pytest.raises(RoomFileError, match='belongs to kind = "low_pass", not "high_pass"'):
        room(folder, text)


@pytest.mark.parametrize(
    ("kind", "said"), [("sweep", "without a loopback"), ("band_levels", "have no phase")]
)
def test_a_common_reference_contradicts_what_carries_no_time(folder, kind, said):
    (folder / "sweep.json").write_text("{}", encoding="utf-8")
    played = '[sweep]\ndescription = "sweep.json"\n' if kind == "sweep" else ""
    text = FULL.replace('source = "mains"', f'source = "mains"\nkind = "{kind}"') + played
    with pytest.raises(RoomFileError, match=said):
        room(folder, text)


def test_a_range_without_a_step_in_it_is_refused(folder):
    text = FULL.replace("delay_lowest_ms = -6.0", "delay_lowest_ms = -0.4").replace(
        "delay_highest_ms = 0.0", "delay_highest_ms = -0.1"
    )
    text = text.replace("delay_ms = -2.5", "delay_ms = -0.2")
    with pytest.raises(RoomFileError, match="no step of"):
        room(folder, text)


def test_the_guide_shows_tables_that_are_read(folder):
    guide = (SAMPLES / "GUIDE.md").read_text("utf-8")
    shown = re.search(r"<!-- joining -->\n```toml\n(.*?)```", guide, re.DOTALL).group(1)
    start = FULL.index("[timing]")
    setup = room(folder, FULL[:start] + shown).joining
    assert setup.common_time_reference
    assert setup.mains is not None
    assert setup.mains.corner == 50.0
    assert setup.delays is not None
    assert setup.delays.values.size == 401
    assert setup.same_corner
    assert setup.path_response is not None


def test_a_box_without_the_electrical_high_pass_is_not_taken_for_all(folder):
    start = FULL.index("[[mains_path]]")
    end = FULL.index("[mains]")
    setup = room(folder, FULL[:start] + FULL[end:]).joining
    assert setup.mains is not None
    assert setup.mains_filters is None
    taken = room(folder, FULL[:start] + FULL[end:]).assumptions
    assert any("taken for a high-pass like the subwoofer's low-pass" in one for one in taken)
    stated = room(folder, "mains_path = []\n" + FULL[:start] + FULL[end:]).joining
    assert [one.where for one in stated.mains_filters] == ["box"]
    box = FULL.index("[mains]")
    bare = FULL[:start] + re.sub(r"\[mains\]\n(?:[^\[].*\n)*", "", FULL[box:])
    assert "[mains]" not in bare
    none = room(folder, 'mains_path = "none"\n' + bare).joining
    assert none.mains_filters == ()  # stated that there are none is not "not stated"
