"""A room's measurements as text: what is printed is what was found."""

import pytest
from judged_rooms import room as judged_room
from judged_rooms import sound
from msgspec.structs import replace
from places import SAMPLES
from subwoofer_rooms import HEAD, echoes, write_several

from roomeq.analysis.dips import Dip
from roomeq.importers.room import read_room
from roomeq.jobs.check import BandRow, EquipmentRow, room_overview
from roomeq.plan.recordings import recording_rows
from roomeq.report.text.layout import WIDTH, page
from roomeq.report.text.room import room_text


@pytest.fixture(scope="module")
def overview():
    return room_overview(read_room(SAMPLES / "rented_hall"))


def line_of(text, start):
    return next(line for line in text.splitlines() if line.strip().startswith(start))


def words_of(text):
    return " ".join(text.split())


def test_every_seat_and_band_is_there(overview):
    text = room_text(overview)
    for row in overview.measurements:
        assert row.seat in text
    for band in overview.bands:
        assert f"{band.label} Hz" in text
    assert "nothing that looks wrong" in text


def test_what_is_not_known_is_not_printed(overview):
    known = replace(
        overview,
        corner=90.0,
        corner_origin="stated",
        lower_limit=27.6,
        repeatability_db=0.44,
        path=("low-pass of some kind",),
    )
    text = room_text(known)
    assert "In the path: low-pass of some kind" in text
    assert "Crossover corner: 90 Hz (stated)" in text
    assert "corner" not in room_text(replace(known, corner_origin="path"))  # the filter tells
    assert "Subwoofer's own lower limit: 28 Hz" in text
    assert "Repeatability of a measurement: 0.4 dB" in text
    unknown = replace(known, corner=None, lower_limit=None, repeatability_db=None, path=())
    for words in ("In the path", "corner", "lower limit:", "Repeatability"):
        assert words not in room_text(unknown).split("What the seats share")[0]


def test_measurements_stand_in_their_columns(overview):
    first, second, *_ = overview.measurements
    rows = (
        replace(
            first,
            seat="sofa",
            points=581,
            lowest=10.1,
            highest=300.2,
            has_phase=True,
            resolution="narrow",
            level_reference="spl",
            file="a.txt",
        ),
        replace(second, seat="chair", has_phase=False, level_reference="relative", file=None),
    )
    text = room_text(replace(overview, measurements=rows), detail=True)
    assert line_of(text, "sofa ").split() == (
        ["sofa", "581", "10", "to", "300", "yes", "dB", "SPL", "a.txt", "sub"]
    )
    assert line_of(text, "chair ").split()[1:-1] == ["bands", "20", "to", "126", "no", "relative"]


def test_what_is_alike_of_a_seat_takes_one_line(overview):
    first = overview.measurements[0]
    rows = [
        replace(first, seat="sofa", source=source, file=f"{source}.txt")
        for source in ("sub", "mains", "both")
    ]
    told = replace(overview, measurements=tuple(rows))
    assert line_of(room_text(told), "sofa ").endswith("sub, mains, both")
    assert "mains.txt" not in room_text(told)
    assert "mains.txt" in room_text(told, detail=True)


def test_band_figures_stand_in_their_columns(overview):
    row = BandRow(
        label="40",
        power_mean_db=84.5,
        level_mean_db=83.1,
        spread_db=0.6,
        range_db=1.7,
        loudest="left",
        quietest="right",
    )
    told = replace(overview, bands=(row,))
    detail = line_of(room_text(told, detail=True), "40 Hz").split()[2:]
    assert detail == ["84.5", "83.1", "0.6", "1.7", "left", "right"]
    assert line_of(room_text(told), "40 Hz").split()[2:] == ["84.5", "0.6", "left", "right"]


def test_seats_measured_alike_stand_in_one_row(overview):
    with page(120):
        text = words_of(room_text(overview))
    seats = ", ".join(row.seat for row in overview.measurements)
    assert f"{seats} bands 20 to 126 no dB SPL sub" in text
    first, *others = overview.measurements
    odd = replace(overview, measurements=(replace(first, has_phase=True), *others))
    assert f"{first.seat} bands 20 to 126 yes dB SPL sub" in words_of(room_text(odd))


def test_variance_is_told_by_kind(overview):
    told = replace(overview, variation_between_seats_db2=12.3, unevenness_of_average_db2=26.4)
    text = words_of(room_text(told))
    # standard deviations, in dB: the roots of 12.3 and 26.4
    assert "the seats differ by 3.5 dB (s.d.), which no equaliser changes" in text
    assert "their average varies by 5.1 dB, which bands can mend in part" in text


def test_offsets_and_the_odd_seat_are_said(overview):
    plain = replace(overview, levels_comparable=True, odd_seat=None, odd_seat_distance_db=None)
    assert "offset" not in room_text(plain)
    assert "differs from the others" not in room_text(plain)
    odd = replace(plain, levels_comparable=False, odd_seat="back", odd_seat_distance_db=6.94)
    assert "One level offset per seat was removed first." in room_text(odd)
    assert "Seat back differs from the others by 6.9 dB (r.m.s.)." in room_text(odd)


def test_dips_are_told_with_their_verdict(overview):
    def dip(verdict, seats):
        return Dip(
            frequency=43.7,
            depth_db=9.2,
            width_octaves=0.171,
            seats=seats,
            verdict=verdict,
            evidence=("differs_between_seats", "narrow"),
            excess_group_delay=None,
        )

    everywhere = tuple(row.seat for row in overview.measurements)
    for verdict, words in (
        ("cancellation", "cancellation: leave it"),
        ("correctable", "can be mended"),
        ("unclear", "cannot be told"),
    ):
        told = replace(overview, dips=(dip(verdict, everywhere), dip(verdict, everywhere[:1])))
        lines = [line for line in room_text(told).splitlines() if line.startswith("  44 Hz")]
        assert words_of(lines[0]) == f"44 Hz 9 0.17 all {words}"
        assert words_of(lines[1]) == f"44 Hz 9 0.17 {everywhere[0]} {words}"
        with page(120):
            detail = room_text(told, detail=True)
        assert "differs between seats, narrow" in detail
        assert "Excess group delay: sound comes later" in detail
        assert all(len(line) <= WIDTH for line in room_text(told).splitlines())
    assert "Dips" not in room_text(replace(overview, dips=()))


def test_equipment_is_told_with_what_is_not_known(overview):
    row = EquipmentRow(
        load="4 ohm",
        load_minimum_ohm=3.21,
        minimum_assumed=True,
        rated_voltage=34.56,
        rated_power_w=298.6,
        amplifier_minimum_ohm=2.0,
        measuring_voltage=1.5,
        measuring_frequency=63.0,
        box="vented",
        largest_displacement=0.0125,
        output="20 to 63 Hz, other, peak at 1 m",
        high_pass="high-pass Butterworth 12 dB/oct at 25 Hz",
        wanted_db=(("20", 90.0), ("31.5", 95.5)),
        main_seat="sofa",
        distance=2.5,
        distortion_known=True,
        drive_limit="headroom",
    )
    text = words_of(room_text(replace(overview, equipment=row)))
    for said in (
        "Amplifier and driver - Load: 4 ohm, at least 3.21 ohm, taken for 0.8 times nominal",
        "Amplifier: 34.6 V, 299 W into that load; no load below 2 ohm",
        "While measuring: 1.5 V at 63 Hz",
        "Box: vented",
        "Driver: may move 12.5 mm one way",
        "Maximum output: 20 to 63 Hz, other, peak at 1 m",
        "Distortion: told by the recorded sweep at the main seat",
        "Protective high-pass: Butterworth 12 dB/oct at 25 Hz",
        "Wanted: 90 dB SPL at 20 Hz, 95.5 dB SPL at 31.5 Hz at seat sofa, 2.5 m from the "
        "subwoofer; the drive limit follows the headroom",
    ):
        assert said in text
    assert "Not known" not in text
    nothing = {
        name: ()
        if name == "wanted_db"
        else False
        if name in ("minimum_assumed", "distortion_known")
        else None
        for name in EquipmentRow.__struct_fields__
    }
    text = words_of(room_text(replace(overview, equipment=EquipmentRow(**nothing))))
    assert (
        "Not known: load, amplifier, voltage while measuring, box, driver, maximum output, "
        "distortion, protective high-pass, wanted level"
    ) in text
    assert "Amplifier and driver" not in room_text(replace(overview, equipment=None))


def test_notes_on_recordings_are_counted_and_told_in_detail(overview):
    rows = recording_rows(judged_room([sound("a", "a.wav"), sound("b", "b.wav")]))
    notes = ("a.wav: n1", "all 2 files: n2", "b.wav: n3", "levels.csv: n4", "repeats of a seat: n5")
    told = replace(overview, recordings=rows, notes=notes)
    assert words_of(room_text(told)).endswith("did - levels.csv: n4 - 4 more: see --detail")
    in_detail = words_of(room_text(told, detail=True))
    assert all(note in in_detail for note in notes)
    typed = words_of(room_text(replace(told, recordings=())))
    assert "a.wav: n1 - all 2 files: n2 - b.wav: n3 - levels.csv: n4 - 1 more" in typed


def test_findings_assumptions_and_notes_are_all_printed(overview):
    told = replace(overview, findings=("f1", "f2"), assumptions=("a1",), notes=("n1", "n2"))
    text = words_of(room_text(told))
    assert "Found: look at these first - f1 - f2" in text
    assert "Taken for granted - a1" in text
    assert "What the readers did" not in room_text(replace(told, notes=()))
    assert "Taken for granted" not in room_text(replace(told, assumptions=()))


def test_what_several_lose_is_told_only_where_their_sum_is_known(tmp_path):
    """Powers that are added lie 3 dB below two alike in phase, whatever the room does."""
    parts, texts = {"front": echoes(1), "back": echoes(2)}, []
    for name, stated in (("known", "true"), ("added", "false")):
        (tmp_path / name).mkdir()
        head = HEAD.replace("common_reference = true", f"common_reference = {stated}")
        room = read_room(write_several(tmp_path / name, parts, head=head))
        texts.append(words_of(room_text(room_overview(room))))
    known, added = texts
    assert "Each subwoofer alone, all together as they are set" in known
    assert "Lost dB" in known
    assert "Each subwoofer alone, their powers added" in added
    assert "Lost" not in added
