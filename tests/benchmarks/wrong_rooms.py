"""Rooms in which one thing is wrong, and the word that must be said about it.

Each is a clean room of `invented_rooms` with one change that a person makes in good faith. A case
passes if the exit status is one of `status` and every word of `words` stands in what is printed
(either case; alternatives are parted by a bar).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from invented_rooms import Room, clean_room, export, in_db, typed
from rooms_apart import low_pass

AMPLIFIER = """[amplifier]
minimum_load_ohm = 4
measuring_voltage = {volts}
measuring_frequency = 50
[[amplifier.ratings]]
power_w = 200
load_ohm = 4
[load]
driver_nominal_ohm = {load}"""
DRIVER = """[box]
kind = "closed"
resonance = 34
q = 0.7
[driver]
piston_area_m2 = 0.05
largest_displacement = 0.012
sensitivity_db = {sensitivity}"""
VENTED = """[box]
kind = "vented"
resonance = 28
q = 0.4
tuning = 26
compliance_ratio = 1.2
[driver]
piston_area_m2 = 0.05
largest_displacement = 0.012
sensitivity_db = 90
[amplifier]
minimum_load_ohm = 4
[[amplifier.ratings]]
power_w = 200
load_ohm = 4"""
PROFILE = """format = 1
name = "Four bands"
[equaliser]
centres = [24, 36, 55, 85]
lowest_db = -12.0
highest_db = 6.0
step_db = 0.5
q = 3.0
"""
NO_BANDS = "[device.present]\ngains_db = {gains}"


@dataclass(frozen=True, kw_only=True)
class WrongRoom:
    name: str
    make: Callable[[int], Room]
    words: tuple[str, ...]
    status: tuple[int, ...] = (1, 2)
    command: tuple[str, ...] = ("check", "ROOM")


@lru_cache(maxsize=64)
def plain(seed, **drawn):
    """Return a clean room of exports: three seats or more, comparable, a low-pass stated."""
    for trial in range(100):
        held = {"kind": "exports", "comparable": True, "filtered": True, **drawn}
        room = clean_room(1000 * seed + trial, **{"seats": 3 + seed % 4, **held})
        if all("again" not in m["file"] and m["source"] == "sub" for m in room.measurements):
            return room.with_table("microphone", "")
    raise AssertionError("no such room was drawn")


def rewritten(room, index, pressure):
    """Return the room with another response in the file of one seat."""
    file = room.measurements[index]["file"]
    rng = np.random.default_rng(index)
    return room.with_file(file, export(rng, room.frequencies, pressure, spl=True, phase=False))


def all_rewritten(room, pressures):
    for index, pressure in enumerate(pressures):
        room = rewritten(room, index, pressure)
    return room


def louder(seed, change_db):
    room = plain(seed, seats=4 + seed % 3)
    index = seed % len(room.seats)
    return rewritten(room, index, room.sub[index] * 10.0 ** (change_db / 20))


def two_places_one_name(seed):
    room = plain(seed)
    return room.with_measurement(1, seat=room.seats[0])


def mains_for_sub(seed, every):
    room = plain(seed)
    count = len(room.seats) if every else 1
    for index in range(count):
        room = rewritten(room, index, room.play_mains()[index])
    return room


def low_pass_gone(seed, corner):
    room = plain(seed)
    chain = ("linkwitz_riley", 4, corner)
    bare = room.sub / low_pass(room.frequencies, *room.filter)
    room = all_rewritten(room, bare)
    family, order, _ = chain
    return room.with_table(
        "path",
        f'[[path]]\nkind = "low_pass"\nfamily = "{family}"\norder = {order}\ncorner = {corner}',
    )


def low_pass_unsaid(seed, top):
    room = plain(seed)
    return replace(room, tables={**room.tables, "path": "", "top": top})


def thinned(seed, per_octave):
    """All exports at so few points an octave."""
    room = plain(seed)
    axis = room.frequencies
    wanted = 12.0 * 2.0 ** (np.arange(int(4.0 * per_octave)) / per_octave)
    chosen = np.unique([int(np.argmin(np.abs(axis - f))) for f in wanted])
    room = replace(room, frequencies=axis[chosen], sub=room.sub[:, chosen])
    return all_rewritten(room, room.sub)


def cut(seed, highest, *, lowest=0.0, every=False):
    """One file (or every one) cut off at a frequency."""
    room = plain(seed)
    axis = room.frequencies
    kept = (axis <= highest) & (axis >= lowest)
    shorter = replace(room, frequencies=axis[kept], sub=room.sub[:, kept])
    for index in range(len(room.seats) if every else 1):
        file = room.measurements[index]["file"]
        room = room.with_file(file, rewritten(shorter, index, shorter.sub[index]).files[file])
    return room


def typed_unweighted(seed):
    room = clean_room(seed, kind="typed", filtered=True)
    rng = np.random.default_rng(seed)
    content, _ = typed(rng, room.frequencies, room.sub, room.seats, "none")
    return room.with_file("levels.csv", content).with_measurement(0, weighting=None)


def mains_alone(seed):
    room = all_rewritten(plain(seed), plain(seed).play_mains())
    for index in range(len(room.seats)):
        room = room.with_measurement(index, source="mains")
    return room


def second_subwoofer(seed, word):
    return plain(seed).with_measurement(1, source=word)


def with_profile(seed, text=PROFILE, gains="[0, 0, 0, 0]", extra=""):
    room = plain(seed).with_file("mine.toml", text)
    table = '[device]\nprofile = "mine.toml"\n' + NO_BANDS.format(gains=gains)
    return room.with_table("device", table).with_table("limits", extra)


def with_gains(seed, gains):
    table = '[device]\nprofile = "nine_band"\n' + NO_BANDS.format(gains=gains)
    return plain(seed).with_table("device", table)


def powered(seed, volts, *, load=4, sensitivity=90, driver=True):
    room = plain(seed)
    level = in_db(room.sub[:, np.argmin(np.abs(room.frequencies - 50))]).mean()
    room = all_rewritten(room, room.sub * 10.0 ** ((84.0 - level) / 20))
    text = AMPLIFIER.format(volts=volts, load=load)
    return room.with_table(
        "amplifier", text + ("\n" + DRIVER.format(sensitivity=sensitivity)) * driver
    )


def with_microphone(seed, says, kind, *, lowest=4.0, highest=20000.0, level=0.0):
    axis = np.geomspace(lowest, highest, 80)
    values = level + 0.8 * np.cos(np.log(axis))
    text = "\n".join(
        [says, "Hz;dB", *(f"{f:.3f};{v:+.2f}" for f, v in zip(axis, values, strict=True)), ""]
    )
    room = plain(seed).with_file("mic.txt", text)
    return room.with_table("microphone", f'[microphone]\nfile = "mic.txt"\nkind = "{kind}"')


def microphone_as_seat(seed):
    axis = np.geomspace(5.0, 20000.0, 200)
    text = "\n".join(["Hz;dB", *(f"{f:.3f};{0.9 * np.sin(np.log(f)):+.2f}" for f in axis), ""])
    room = plain(seed).with_file("mic.txt", text)
    return room.with_measurement(0, file="mic.txt").with_table("levels", "")


def seat_as_microphone(seed):
    room = plain(seed)
    level = in_db(room.sub[0])
    text = "\n".join(
        [
            "Hz;dB",
            *(f"{f};{v:.2f}" for f, v in zip(room.frequencies, level - level.mean(), strict=True)),
            "",
        ]
    )
    room = room.with_file("mic.txt", text)
    return room.with_table("microphone", '[microphone]\nfile = "mic.txt"\nkind = "response"')


def with_target(seed, text):
    room = plain(seed).with_file("wish.txt", text)
    return room.with_table("target", '[target]\nshape = "points"\nfile = "wish.txt"')


def edited(seed, name, text):
    return plain(seed).with_table(name, text)


def broken_toml(seed):
    return plain(seed).with_table("levels", "[levels]\ncomparable = yes")


def folder_for_file(seed):
    room = plain(seed)
    return room.with_file("place.txt/inside.txt", "x").with_measurement(0, file="place.txt")


def vented_off(seed):
    room = plain(seed).with_table("box", VENTED)
    table = room.tables["device"] + "\n[device.present.protection]\noff = true"
    return room.with_table("device", table)


WRONG_ROOMS = (
    WrongRoom(
        name="two places under one name",
        make=two_places_one_name,
        words=("apart", "repeat"),
        status=(1,),
    ),
    WrongRoom(
        name="one seat 20 dB low",
        make=lambda s: louder(s, -20.0),
        words=("comparable",),
        status=(1,),
    ),
    WrongRoom(
        name="one seat 20 dB high",
        make=lambda s: louder(s, 20.0),
        words=("comparable",),
        status=(1,),
    ),
    WrongRoom(
        name="one seat 14 dB low",
        make=lambda s: louder(s, -14.0),
        words=("comparable",),
        status=(1,),
    ),
    WrongRoom(
        name="mains for one subwoofer",
        make=lambda s: mains_for_sub(s, False),
        words=("mains",),
        status=(1,),
    ),
    WrongRoom(
        name="mains for every subwoofer",
        make=lambda s: mains_for_sub(s, True),
        words=("mains",),
        status=(1,),
    ),
    WrongRoom(
        name="low-pass at 40 Hz not there",
        make=lambda s: low_pass_gone(s, 40.0),
        words=("40 Hz", "low-pass"),
        status=(1,),
    ),
    WrongRoom(
        name="low-pass at 60 Hz not there",
        make=lambda s: low_pass_gone(s, 60.0),
        words=("60 Hz", "low-pass"),
        status=(1,),
    ),
    WrongRoom(
        name="low-pass at 80 Hz not there",
        make=lambda s: low_pass_gone(s, 80.0),
        words=("80 Hz", "low-pass"),
        status=(1,),
    ),
    WrongRoom(
        name="low-pass said to be none",
        make=lambda s: low_pass_unsaid(s, 'path = "none"'),
        words=("low-pass",),
        status=(1,),
    ),
    WrongRoom(
        name="low-pass not mentioned",
        make=lambda s: low_pass_unsaid(s, ""),
        words=("low-pass",),
        status=(0, 1),
    ),
    WrongRoom(
        name="five points an octave",
        make=lambda s: thinned(s, 5.0),
        words=("octave", "cancellation"),
        status=(0, 1),
    ),
    WrongRoom(
        name="nine points an octave",
        make=lambda s: thinned(s, 9.0),
        words=("octave", "cancellation"),
        status=(0, 1),
    ),
    WrongRoom(
        name="one file ends at 108 Hz",
        make=lambda s: cut(s, 108.0),
        words=("108|107", "125 Hz"),
        status=(1, 2),
    ),
    WrongRoom(
        name="one file ends at 90 Hz",
        make=lambda s: cut(s, 90.0),
        words=("90|89", "100"),
        status=(1, 2),
    ),
    WrongRoom(
        name="one file ends at 38 Hz", make=lambda s: cut(s, 38.0), words=("38|37",), status=(1, 2)
    ),
    WrongRoom(
        name="one file ends at 150 Hz of 300",
        make=lambda s: cut(s, 150.0),
        words=("150|149",),
        status=(1, 2),
    ),
    WrongRoom(
        name="every file starts at 28 Hz",
        make=lambda s: cut(s, 400.0, lowest=28.0, every=True),
        words=("25",),
        status=(1,),
    ),
    WrongRoom(
        name="every file ends at 70 Hz",
        make=lambda s: cut(s, 70.0, every=True),
        words=("80", "125"),
        status=(1, 2),
    ),
    WrongRoom(
        name="typed without weighting",
        make=typed_unweighted,
        words=("weighting", "levels.csv", "6"),
        status=(1,),
    ),
    WrongRoom(
        name="dimensions are used or said not to be",
        make=lambda s: edited(s, "room", "[room]\nlength = 6.86\nwidth = 4.29"),
        words=("25.0|not used", "Hz"),
        status=(0, 1),
    ),
    WrongRoom(name="mains alone", make=mains_alone, words=("mains", "50 hz"), status=(0, 1)),
    WrongRoom(
        name="source sub2",
        make=lambda s: second_subwoofer(s, "sub2"),
        words=("sub2", "alone", "room.toml, line"),
        status=(2,),
    ),
    WrongRoom(
        name="source subwoofer 2",
        make=lambda s: second_subwoofer(s, "second subwoofer"),
        words=("alone", "room.toml, line"),
        status=(2,),
    ),
    WrongRoom(
        name="bands off the third octaves",
        make=with_profile,
        words=("24 Hz", "36 Hz", "55 Hz", "85 Hz"),
        status=(0, 1),
        command=("propose", "ROOM"),
    ),
    WrongRoom(
        name="label that is none",
        make=lambda s: with_gains(s, '{ "35" = -3.0 }'),
        words=("35", "31.5", "room.toml, line"),
        status=(2,),
    ),
    WrongRoom(
        name="locked that is none",
        make=lambda s: edited(s, "limits", "[limits]\nlocked = [45]"),
        words=("45", "50", "room.toml, line"),
        status=(2,),
        command=("propose", "ROOM"),
    ),
    WrongRoom(
        name="unlocked that is none",
        make=lambda s: edited(s, "limits", "[limits]\nunlocked = [70]"),
        words=("70", "room.toml, line"),
        status=(2,),
        command=("propose", "ROOM"),
    ),
    WrongRoom(
        name="unlocked above the crossover",
        make=lambda s: edited(s, "limits", '[limits]\nunlocked = ["16"]'),
        words=("16", "room.toml, line"),
        status=(2,),
        command=("propose", "ROOM"),
    ),
    WrongRoom(
        name="two millivolts", make=lambda s: powered(s, 0.002), words=("0.002 V",), status=(1, 2)
    ),
    WrongRoom(
        name="two millivolts, driver unknown",
        make=lambda s: powered(s, 0.002, driver=False),
        words=("0.002 V",),
        status=(1, 2),
    ),
    WrongRoom(
        name="200 V of 28 V",
        make=lambda s: powered(s, 200.0),
        words=("200 V", "28.3 V"),
        status=(1, 2),
    ),
    WrongRoom(
        name="rating of another load",
        make=lambda s: powered(s, 2.0, load=8),
        words=("derived",),
        status=(0, 1),
    ),
    WrongRoom(
        name="vented without high-pass", make=vented_off, words=("vented", "high-pass"), status=(1,)
    ),
    WrongRoom(
        name="lower limit 150",
        make=lambda s: edited(s, "target", "[target]\nlower_limit = 150"),
        words=("150", "room.toml, line", "lower_limit"),
        status=(2,),
    ),
    WrongRoom(
        name="lower limit 100",
        make=lambda s: edited(s, "target", "[target]\nlower_limit = 100"),
        words=("100", "room.toml, line", "lower_limit"),
        status=(2,),
    ),
    WrongRoom(
        name="comparable = yes",
        make=broken_toml,
        words=("true or false", "room.toml, line"),
        status=(2,),
    ),
    WrongRoom(
        name="profile without a format",
        make=lambda s: with_profile(s, PROFILE.replace("format = 1\n", "")),
        words=("mine.toml", "format = 1"),
        status=(2,),
    ),
    WrongRoom(
        name="verify the wrong way round",
        make=plain,
        words=("first", "plan"),
        status=(2,),
        command=("verify", "ROOM", "PLAN"),
    ),
    WrongRoom(
        name="a folder for a file", make=folder_for_file, words=("place.txt", "folder"), status=(2,)
    ),
    WrongRoom(
        name="microphone file says subtract",
        make=lambda s: with_microphone(
            s, "* subtract these values from the measurement", "correction"
        ),
        words=("mic.txt", "subtract"),
        status=(1, 2),
    ),
    WrongRoom(
        name="microphone file says add",
        make=lambda s: with_microphone(s, "* Werte zum Pegel addieren", "response"),
        words=("mic.txt", "addieren"),
        status=(1, 2),
    ),
    WrongRoom(
        name="microphone file says correction",
        make=lambda s: with_microphone(s, "# fichier de correction", "response"),
        words=("mic.txt", "correction"),
        status=(1, 2),
    ),
    WrongRoom(
        name="microphone file given as a seat",
        make=microphone_as_seat,
        words=("mic.txt", "microphone"),
        status=(1, 2),
    ),
    WrongRoom(
        name="a seat given as microphone",
        make=seat_as_microphone,
        words=("mic.txt",),
        status=(1, 2),
    ),
    WrongRoom(
        name="microphone file cut off at 60 Hz",
        make=lambda s: with_microphone(s, "*", "response", highest=60.0),
        words=("mic.txt", "60"),
        status=(1, 2),
    ),
    WrongRoom(
        name="microphone file cut off at 20 Hz",
        make=lambda s: with_microphone(s, "*", "response", highest=20.0),
        words=("mic.txt", "20"),
        status=(1, 2),
    ),
    WrongRoom(
        name="target in two columns nobody names",
        make=lambda s: with_target(s, "20 1 2\n30 1 3\n40 2 3\n"),
        words=("wish.txt", "target"),
        status=(2,),
    ),
    WrongRoom(
        name="target of one column",
        make=lambda s: with_target(s, "20\n30\n40\n"),
        words=("wish.txt",),
        status=(2,),
    ),
)
