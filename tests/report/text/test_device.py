"""What a device was found to do, in words."""

from msgspec.structs import replace

from roomeq.importers.device_profile import read_device, read_profile_tables
from roomeq.jobs.device import DeviceMeasurement
from roomeq.jobs.measuring.findings import Doubt, FilterRow, MoveRow
from roomeq.report.text.device import device_text, profiles_text

ROW = MoveRow(
    label="40",
    setting_db=-6.0,
    gain_db=-5.8,
    gain_error_db=0.03,
    centre=41.0,
    centre_error=0.0008,
    q=3.2,
    q_error=0.008,
    told=("gain", "centre", "q"),
)
FILTER = FilterRow(
    kind="low_pass",
    mark=80.0,
    corner=84.0,
    corner_error=0.0003,
    family="butterworth",
    order=2,
    filters=("low-pass Butterworth 12 dB/oct at 84 Hz",),
)
FOUND = DeviceMeasurement(
    device="Box",
    rows=(ROW,),
    filters=(FILTER,),
    laws={"40": "assumed"},
    offsets_db={},
    misfits=(),
    profile=read_profile_tables("nine_band"),
)


def said(**changes):
    return " ".join(device_text(replace(FOUND, **changes)).split())


def test_values_stand_with_their_standard_errors():
    assert "40 Hz -6.0 -5.80 0.03 41.00 0.08 3.20 0.8 all" in said()
    assert "low-pass set to 80 Hz: low-pass Butterworth 12 dB/oct at 84 Hz (+- 0.03 %)" in said()


def test_what_is_assumed_is_said():
    assert "40 Hz: Q at one gain; that it is the same at others is ASSUMED" in said()
    assert "40 Hz: its Q follows the gain." in said(laws={"40": "follows"})
    assert "125 Hz: ASSUMED, not measured: Q 4.318 at all gains" in said()


def test_every_doubt_has_its_words():
    for doubt in Doubt:
        row = replace(ROW, told=(), doubt=doubt)
        assert "CANNOT BE TOLD: " in said(rows=(row,), filters=()), doubt
    for doubt in (Doubt.OUTSIDE, Doubt.MISFIT, Doubt.ELSEWHERE, Doubt.UNCERTAIN):
        row = replace(FILTER, doubt=doubt)
        assert "CANNOT BE TOLD: " in said(rows=(), filters=(row,)), doubt
    partly = replace(ROW, told=("centre",), doubt=Doubt.UNCERTAIN)
    assert "centre only: moved by too little" in said(rows=(partly,))


def test_what_was_taken_out_or_is_not_described_is_named():
    text = said(offsets_db={"cut.txt": 0.52}, misfits=("boost.txt",))
    assert "cut.txt: its level differs by +0.52 dB besides; taken out." in text
    assert "boost.txt: the bands that are said to be moved do not describe it." in text


def test_parts_that_are_not_there_leave_no_blank_line_behind():
    for bare in ({"rows": (), "laws": {}}, {"rows": ()}, {"filters": ()}, {"laws": {}}):
        text = device_text(replace(FOUND, **bare))
        assert "\n\n\n" not in text
        assert text.endswith("\n")
        assert not text.endswith("\n\n")


def test_profiles_that_come_along_are_named():
    text = profiles_text([read_device("nine_band")], explained="nine_band.toml")
    assert text.startswith("nine_band: Nine bands, half-decibel steps\n")
    assert text.endswith("Every key of a profile is explained in nine_band.toml\n")
