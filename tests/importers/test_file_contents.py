"""Names of measurement files, as people give them: only what is plain is taken from them."""

from pathlib import PurePath

import pytest

from roomeq.importers.file_contents import read_name, source_in_words


@pytest.mark.parametrize(
    ("file", "seat", "source"),
    [
        ("sofa_left.txt", "sofa left", None),
        ("Sofa-Left_SUB.txt", "Sofa Left", "sub"),
        ("mains sofa.csv", "sofa", "mains"),
        ("sofa sub+mains.wav", "sofa", "both"),
        ("sofa_both.txt", "sofa", "both"),
        ("sofa sum.txt", "sofa", "both"),
        ("sofa together.txt", "sofa", "both"),
        ("sofa difference.txt", "sofa", "difference"),
        ("sofa subwoofer only.txt", "sofa", "sub"),
        ("sub.txt", "", "sub"),
        ("sub/left.txt", "left", "sub"),
        ("mains/left 2.txt", "left 2", "mains"),
        ("Küche, hinten.sub.txt", "Küche hinten", "sub"),
        ("1.txt", "1", None),
        # what is not plain stays in the name of the seat
        ("main seat.txt", "main seat", None),
        ("front left.txt", "front left", None),
        ("near window.txt", "near window", None),
        ("close chair sub.txt", "close chair", "sub"),
        ("suburb.txt", "suburb", None),
        ("sofa mic.txt", "sofa mic", None),
        ("take away corner.txt", "take away corner", None),
    ],
)
def test_seat_and_source(file, seat, source):
    found = read_name(PurePath(file))
    assert (found.role, found.seat, found.source) == ("seat", seat, source)
    assert not found.repeat
    assert not found.doubt
    assert bool(found.told_by) == (source is not None)


@pytest.mark.parametrize(
    ("file", "seat", "source"),
    [
        ("sofa again.txt", "sofa", None),
        ("sofa run 2.wav", "sofa", None),
        ("sofa_sub_take2.txt", "sofa", "sub"),
        ("sofa mains repeat.txt", "sofa", "mains"),
        ("sofa 2 rep 3.txt", "sofa 2", None),
    ],
)
def test_repeats_by_a_word(file, seat, source):
    found = read_name(PurePath(file))
    assert (found.seat, found.source, found.repeat) == (seat, source, True)


def test_a_number_alone_is_no_repeat_and_brackets_may_be_one():
    plain, copied = read_name(PurePath("sofa 2.txt")), read_name(PurePath("sofa (2).txt"))
    assert (plain.seat, plain.repeat, plain.copy) == ("sofa 2", False, "")
    assert (copied.seat, copied.repeat, copied.copy) == ("sofa (2)", False, "sofa")


@pytest.mark.parametrize(
    ("file", "seat", "state"),
    [
        ("sofa before.txt", "sofa", "before"),
        ("After_sofa_sub.txt", "sofa", "after"),
        ("after.txt", "", "after"),
        ("beforehand.txt", "beforehand", ""),
        ("before after.txt", "", ""),
    ],
)
def test_before_and_after_are_no_seats(file, seat, state):
    found = read_name(PurePath(file))
    assert (found.role, found.seat, found.state) == ("seat", seat, state)


@pytest.mark.parametrize(
    ("file", "role"),
    [
        ("microphone.txt", "microphone"),
        ("Mic response.csv", "microphone"),
        ("mic 7012345 90degrees.txt", "microphone"),
        ("close_to_the_cone.txt", "close"),
        ("sub near.txt", "close"),
        ("near field.txt", "close"),
        ("nearfield.txt", "close"),
        ("sweep.wav", "played"),
        ("played.flac", "played"),
        ("calibrator 94 dB.wav", "calibrator"),
        ("pistonphone.wav", "calibrator"),
    ],
)
def test_what_is_no_seat(file, role):
    assert read_name(PurePath(file)).role == role


def test_the_kind_of_a_microphone_file():
    assert read_name(PurePath("mic_correction.txt")).kind == "correction"
    assert read_name(PurePath("microphone response.txt")).kind == "response"
    assert read_name(PurePath("microphone.txt")).kind is None


@pytest.mark.parametrize(
    ("file", "said"),
    [
        ("sub1 sub2 sofa.txt", "several subwoofers"),
        ("sofa subwoofer2 and mains.txt", "several subwoofers"),
        ("target.txt", "wanted response"),
        ("noise.wav", "noise alone"),
        ("SPL_mean.txt", "an average"),
        ("sofa mains off.txt", "does not tell plainly what played"),
        ("sofa without sub.txt", "does not tell plainly what played"),
        ("sofa sub both.txt", "does not tell plainly what played"),
    ],
)
def test_what_had_better_be_left_out(file, said):
    assert said in read_name(PurePath(file)).doubt


def test_which_of_several_subwoofers_a_number_tells():
    for file in ("sub1 sofa.txt", "sofa_Sub1.txt", "sofa sub1 alone.wav"):
        name = read_name(PurePath(file))
        assert (name.subwoofer, name.seat, name.source) == ("sub1", "sofa", "sub")
    assert read_name(PurePath("sub sofa 1.txt")).subwoofer == ""


def test_words_that_contradict_tell_nothing():
    assert source_in_words(["sub", "mains"]) == "both"
    assert source_in_words(["sub", "both"]) is None
    assert source_in_words(["mains", "off"]) is None
    assert source_in_words(["sofa"]) is None
