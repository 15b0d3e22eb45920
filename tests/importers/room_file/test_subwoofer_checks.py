"""Several subwoofers in a room file: what contradicts itself is named with line, value, remedy."""

import pytest

from roomeq.base.errors import RoomFileError
from roomeq.importers.room_file.reading import read_room_file

TWO = """\
format = 1
name = "Ropewalk"
[[subwoofers]]
name = "front"
[[subwoofers]]
name = "back"
fed_by = "front"
[[measurements]]
seat = "sofa"
file = "a.txt"
subwoofer = "front"
[[measurements]]
seat = "sofa"
file = "b.txt"
subwoofer = "back"
"""


@pytest.fixture
def folder(tmp_path):
    for name in ("a.txt", "b.txt", "c.txt"):
        (tmp_path / name).write_text("20 70\n", encoding="utf-8")
    return tmp_path


def read(folder, text):
    (folder / "room.toml").write_text(text, encoding="utf-8")
    return read_room_file(folder)


def test_two_subwoofers_are_accepted(folder):
    room = read(folder, TWO)
    assert [(one.name, one.fed_by) for one in room.subwoofers] == [
        ("front", None),
        ("back", "front"),
    ]


MORE = '[[measurements]]\nseat = "sofa"\nfile = "c.txt"\n'
WRONG = {
    "subwoofer of mains": (
        TWO + MORE + 'source = "mains"\nsubwoofer = "front"\n',
        (20, '\'subwoofer\' belongs to source = "sub", not "mains"', "correct the source"),
    ),
    "place of both": (
        TWO + MORE + 'source = "both"\nplace = "window"\n',
        (20, '\'place\' belongs to source = "sub", not "both"', "correct the source"),
    ),
    "place without a name": (
        TWO + MORE + 'place = " "\n',
        (19, "the place has no name", "give it one"),
    ),
    "a name that is not listed": (
        TWO + MORE + 'subwoofer = "rear"\n',
        (19, "subwoofer 'rear' is not listed", "listed: 'front', 'back'"),
    ),
    "a name that is not listed at a place": (
        TWO + MORE + 'subwoofer = "rear"\nplace = "window"\n',
        (19, "subwoofer 'rear' is not listed", "listed: 'front', 'back'"),
    ),
    "all of them at a place": (
        TWO + MORE + 'subwoofer = "all"\nplace = "window"\n',
        (19, "one subwoofer is tried at a place, not all", "name the one"),
    ),
    "two of them at a place": (
        TWO
        + MORE
        + 'subwoofer = "back"\nplace = "window"\n'
        + MORE.replace("sofa", "stool")
        + 'subwoofer = "front"\nplace = "window"\n',
        (24, "at place 'window' 'front' was measured, and 'back' before", "two names"),
    ),
    "a name where none is listed": (
        'format = 1\nname = "Ropewalk"\n' + MORE + 'subwoofer = "front"\n',
        (6, "subwoofer 'front' is not listed in [[subwoofers]]", "listed: none; or list it"),
    ),
    "whose it is not said": (
        TWO + MORE,
        (16, "it is not said which subwoofer 'c.txt' was measured of", "one of 'front', 'back'"),
    ),
    "one alone": (
        TWO.replace('[[subwoofers]]\nname = "back"\nfed_by = "front"\n', "").replace(
            '"back"', '"front"'
        ),
        (3, "1 subwoofers are listed", "one alone needs no table"),
    ),
    "nine": (
        TWO + "".join(f'[[subwoofers]]\nname = "{n}"\n' for n in range(7)),
        (3, "9 subwoofers are listed", "2 to 8"),
    ),
    "no name": (
        TWO.replace('"back"', '""'),
        (6, "it has no name", "give it one"),
    ),
    "the name of all": (
        TWO.replace('"back"', '"all"'),
        (6, "'all' is no name of a subwoofer", "another name"),
    ),
    "listed twice": (
        TWO.replace('"back"', '"front"').replace('fed_by = "front"\n', ""),
        (4, "subwoofer 'front' is listed 2 times", "list each once"),
    ),
    "never measured": (
        TWO.replace('subwoofer = "back"', 'subwoofer = "all"'),
        (6, "'back' is listed but never measured alone", "add its measurement"),
    ),
    "measured at a place only": (
        TWO + 'place = "window"\n',
        (6, "'back' is listed but never measured alone", "add its measurement"),
    ),
    "a driver without its box": (
        TWO.replace(
            'name = "back"\n',
            'name = "back"\ndriver = { piston_area_m2 = 0.05, largest_displacement = 0.01,'
            " sensitivity_db = 90 }\n",
        ),
        (7, "how far a driver moves depends on its box", "add its box"),
    ),
    "a vented box without its tuning": (
        TWO.replace(
            'name = "back"\n',
            'name = "back"\nbox = { kind = "vented", resonance = 26, q = 0.4 }\n',
        ),
        (7, "kind = \"vented\" needs 'tuning'", "write tuning = ..."),
    ),
    "an amplifier without a rating": (
        TWO.replace('name = "back"\n', 'name = "back"\namplifier = { ratings = [] }\n'),
        (7, "no rating is given", "power_w and load_ohm"),
    ),
    "a high-pass that is both on and off": (
        TWO.replace(
            'name = "front"\n',
            'name = "front"\npresent = { protection = { off = true, corner = 20 } }\n',
            1,
        ),
        (5, "corner", "off"),
    ),
    "fed by one that is not there": (
        TWO.replace('fed_by = "front"', 'fed_by = "door"'),
        (7, "'door' feeds nothing", "'front'"),
    ),
    "fed by itself": (
        TWO.replace('fed_by = "front"', 'fed_by = "back"'),
        (7, "'back' feeds nothing", "'front'"),
    ),
    "fed in a ring": (
        TWO.replace('name = "front"\n', 'name = "front"\nfed_by = "back"\n', 1),
        (5, "'back' feeds nothing", "none"),
    ),
    "a delay of a fed one": (
        TWO.replace('fed_by = "front"', 'fed_by = "front"\ndelay_highest_ms = 5'),
        (8, "'delay_highest_ms' of a fed subwoofer is that of 'front'", "leave fed_by out"),
    ),
    "a device of a fed one": (
        TWO.replace('fed_by = "front"', 'fed_by = "front"\nprofile = "coarse_step"'),
        (8, "'profile' of a fed subwoofer is that of 'front'", "leave fed_by out"),
    ),
    "bands of a fed one": (
        TWO.replace(
            'fed_by = "front"', 'fed_by = "front"\n[subwoofers.present]\ngains_db = { 40 = -3 }'
        ),
        (9, "'gains_db' of a fed subwoofer is that of 'front'", "state it there"),
    ),
    "level of a fed one": (
        TWO.replace('fed_by = "front"', 'fed_by = "front"\n[subwoofers.present]\nlevel_db = -3'),
        (9, "'level_db' of a fed subwoofer is that of 'front'", "state it there"),
    ),
    "present delay of a fed one": (
        TWO.replace('fed_by = "front"', 'fed_by = "front"\n[subwoofers.present]\ndelay_ms = 3'),
        (9, "'delay_ms' of a fed subwoofer is that of 'front'", "state it there"),
    ),
    "settings of all": (
        TWO + '[device.present]\npolarity = "normal"\n',
        (17, "'polarity' belongs to each of the subwoofers", "[subwoofers.present]"),
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_cannot_be_is_named_with_line_and_remedy(folder, case):
    text, (line, message, remedy) = WRONG[case]
    with pytest.raises(RoomFileError) as caught:
        read(folder, text)
    assert message in str(caught.value)
    assert remedy in str(caught.value)
    assert f"line {line}" in str(caught.value)


def test_own_polarity_of_a_fed_one_and_delay_of_all_may_be_stated(folder):
    text = TWO.replace(
        'fed_by = "front"', 'fed_by = "front"\n[subwoofers.present]\npolarity = "inverted"'
    )
    room = read(folder, text + "[device.present]\ndelay_ms = 2\n")
    assert room.subwoofers[1].present.polarity == "inverted"
    assert room.device.present.delay_ms == 2.0


def test_a_delay_of_one_need_not_be_one_that_the_processor_offers_for_all(folder):
    text = TWO.replace(
        'name = "front"\n',
        'name = "front"\ndelay_highest_ms = 8\n[subwoofers.present]\ndelay_ms = 3\n',
        1,
    )
    offered = "[processor]\ndelay_lowest_ms = -15\ndelay_highest_ms = 0\ndelay_step_ms = 0.1\n"
    room = read(folder, text + offered)
    assert room.subwoofers[0].present.delay_ms == 3.0
    with pytest.raises(RoomFileError, match="3 ms is none that"):
        read(folder, text + offered + "[device.present]\ndelay_ms = 3\n")


def test_files_of_each_are_found_beside_the_room_file(folder):
    text = TWO.replace('name = "front"\n', 'name = "front"\nprofile = "own.toml"\n', 1)
    with pytest.raises(RoomFileError, match=r"line 5.*own\.toml"):
        read(folder, text)
    text = TWO.replace(
        'name = "back"\n',
        'name = "back"\noutput = { file = "most.csv", edition = "CEA-2010-A", detector = "rms",'
        " distance = 2 }\n",
    )
    with pytest.raises(RoomFileError, match=r"line 7.*most\.csv"):
        read(folder, text)
