"""Joining a room: what is on offer, what is found, two answers from levels."""

import json
from dataclasses import replace
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest
from joining_rooms import JOINED_TOML, butterworth, delayed, linkwitz_riley, write_joined_room

from roomeq.base.errors import RoomFileError
from roomeq.base.response import FrequencyResponse
from roomeq.cli.main import main
from roomeq.device.crossover import MainsBox
from roomeq.device.crossover_sum import Meeting, MeetingFault
from roomeq.device.driver import ClosedBox
from roomeq.device.profile import FilterChoice
from roomeq.importers.room import read_room
from roomeq.jobs.check import room_overview
from roomeq.jobs.join import join
from roomeq.jobs.joining.solution import joining_record, solve_joining
from roomeq.jobs.propose import propose
from roomeq.optimiser.joining.data import SumExplanation
from roomeq.report.text.join import room_joining_text
from roomeq.report.text.joining import loss_text
from roomeq.report.text.layout import text_of
from roomeq.report.text.path import path_part
from roomeq.report.text.plan import plan_text
from roomeq.report.text.room import room_text
from roomeq.room.room import weighed_room
from roomeq.wanted.loss import Loss

pytestmark = pytest.mark.usefixtures("joining_once")

TOML = JOINED_TOML + "[limits]\nlocked = [20, 25, 100, 125]\n"  # five bands are searched soon


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    return read_room(write_joined_room(tmp_path_factory.mktemp("joined"), toml=TOML))


@pytest.fixture(scope="module")
def found(room):
    return join(room)


@pytest.fixture(scope="module")
def quick(room):
    """The same with one low-pass described: nothing to bypass, nothing asked of the path."""
    return changed(replace(room, path=room.path[:1]), path_response=None)


@pytest.fixture(scope="module")
def four(tmp_path_factory):
    """Levels of all four at two seats, no common time; again nothing asked of the path."""
    toml = TOML.replace("common_reference = true", "common_reference = false")
    sources = ("sub", "mains", "both", "difference")
    folder = tmp_path_factory.mktemp("levels")
    written = write_joined_room(folder, toml=toml, late=-0.0075, sources=sources, low_passes=1)
    room = read_room(written)
    return changed(replace(room, path=room.path[:1]), path_response=None)


@pytest.fixture(scope="module")
def by_levels(four):
    return join(four)


def changed(room, **joining):
    return replace(room, joining=replace(room.joining, **joining))


def record_of(room, *, keep_bands=True):
    """Return what `join` tells of a room, without what else it finds out."""
    return joining_record(solve_joining(weighed_room(room), keep_bands=keep_bands))


def test_repr_is_short_and_true(found, by_levels):
    record, text = found.record, repr(found)
    assert text.startswith("<RoomJoining for Boat house: ")
    assert f"the sum loses {record.loss_before_db:.1f} dB, then {record.loss_db:.1f} dB>" in text
    assert len(text) < 100
    kept = msgspec.structs.replace(record, settings=record.present, bypass=())
    assert ": no change, the sum loses " in repr(replace(found, record=kept))
    assert "from levels alone, late or early is open" in repr(by_levels)
    neither = replace(found, record=None, fit=None)
    assert repr(neither) == "<RoomJoining for Boat house: not joined>"


def test_finds_the_second_low_pass_and_undoes_delay_and_inversion(found):
    record = found.record
    assert record is not None
    assert [("amplifier" in one) for one in record.bypass] == [True]
    assert record.settings.inverted
    # 3 ms late, less the 0.9 ms by which a closed box of 25 Hz leads at 80 Hz:
    # atan(1.414 * 0.3125 / (1 - 0.3125**2)) = 26.1 degrees; the shortest that does as well is taken
    assert -3.0 <= record.settings.delay_ms < -1.0
    assert record.loss_db <= record.alignment.least_db + 0.3 < 0.5
    assert record.loss_before_db > 0.5
    # boxes are not declared: the one of the subwoofer turns what arrives first, but not its sign
    assert record.polarity.inverted in (True, None)
    assert found.path is not None
    assert found.path.recommended is not None
    assert found.estimate is not None
    assert found.estimate.best.engaged == ((0, 1),)


def test_now_is_what_was_measured_and_not_what_a_bypass_would_leave(room, found):
    fixed = record_of(changed(room, fixed=(0, 1)))
    assert fixed.bypass == ()
    assert found.record.loss_before_db == pytest.approx(fixed.loss_before_db, abs=1e-9)
    np.testing.assert_allclose(found.record.before_level_db, fixed.before_level_db)


def loud_kept(room):
    """Return a plan that only joins, in a room whose bands would want much."""
    loud = room.survey.filtered("sub", lambda axis: 1.0 + 3.0 * (np.abs(axis - 40.0) < 6.0))
    measurements = tuple(m for m in loud.measurements if m.source != "both")
    louder = replace(room, survey=replace(loud, measurements=measurements))
    return propose(louder, node_limit=1, keep_bands=True)


def test_check_join_and_propose_say_the_same(room, found):
    """One judge: the same words with the same figures, and the plan that join keeps is join's."""
    checked = room_text(room_overview(room))
    now = loss_text(80.0, found.record.loss_before_db)[:-1]
    plan, kept = propose(room, node_limit=1), propose(room, node_limit=1, keep_bands=True)
    for text in (checked, room_joining_text(found), plan_text(plan), plan_text(kept)):
        assert now in " ".join(text.split())
    assert kept.joining == found.record == record_of(room)
    assert "by the sum with the mains" not in plan_text(kept)
    assert "left as it is, only joined" in " ".join(plan_text(loud_kept(room)).split())
    assert kept.joining.settings == found.record.settings
    assert [band.gain_db for band in kept.bands] == [band.present_db for band in kept.bands]
    alike = ("loss_before_db", "settings", "loss_db", "alignment", "polarity")
    for name in alike:
        assert getattr(plan.joining, name) == getattr(found.with_bands, name)
    assert plan.joining.bands.gains_db == found.with_bands.bands.gains_db
    assert tuple(band.gain_db for band in plan.bands) == plan.joining.bands.gains_db
    assert plan.joining.alignment == found.record.alignment


def test_pairs_are_ranked_where_the_processor_offers_them(room, quick, found):
    assert found.corners is None
    assert "[processor]" in found.corners_missing
    choice = FilterChoice(
        family="linkwitz_riley", orders=(4,), corners=(60.0, 80.0, 1000.0), can_bypass=False
    )
    offered = join(changed(room, high_pass=choice, low_pass=choice, same_corner=True))
    assert offered.corners is not None
    assert {entry.pair.corner for entry in offered.corners.ranked} == {60.0, 80.0}
    assert offered.corners.present.pair.corner == 80.0
    assert offered.corners.preferred is None
    unstated = join(changed(quick, high_pass=choice, mains_path=None))
    assert unstated.corners is None
    assert "[[mains_path]]" in unstated.corners_missing


LINKWITZ_RILEY = FilterChoice(
    family="linkwitz_riley", orders=(4,), corners=(13.0, 80.0, 100.0), can_bypass=False
)


def test_pairs_hold_only_what_device_and_processor_can_do(quick):
    device = replace(quick.device, polarity=False)  # its low-pass: the processor's goes before
    limited = replace(quick, device=device, present=replace(quick.present, level_db=0.0))
    mains = MainsBox(kind="closed", corner=40.0)
    found = join(changed(limited, low_pass=LINKWITZ_RILEY, mains=mains))
    pairs = [entry.pair for entry in found.corners.ranked]
    # the mains' filter stays; half an octave below 13 Hz nothing was measured
    corners = {(pair.low_pass.corner, pair.high_pass.corner) for pair in pairs}
    assert corners == {(80.0, 80.0), (100.0, 80.0)}
    for entry in found.corners.ranked:
        assert entry.acoustic_order == 2 + 4  # closed box and its high-pass
        assert not entry.settings.inverted
        assert -0.004 <= entry.settings.delay <= 0.0
    rows = json.loads(found.to_json())["pairs"]
    assert {row["low_pass"].split()[0] for row in rows} == {"low-pass"}
    assert {row["high_pass"].split()[0] for row in rows} == {"high-pass"}


def test_pairs_of_one_knob_share_their_corner_and_may_lie_away_from_the_present_one(quick):
    away = msgspec.structs.replace(
        LINKWITZ_RILEY, corners=(115.0, 120.0)
    )  # half an octave below: 81 Hz
    found = join(changed(quick, low_pass=away, high_pass=away, same_corner=True))
    assert found.corners is not None
    pairs = (*(e.pair for e in found.corners.ranked), *(p for p, _ in found.corners.refused))
    corners = [(pair.low_pass.corner, pair.high_pass.corner) for pair in pairs]
    assert sorted(corners) == [(80.0, 80.0), (115.0, 115.0), (120.0, 120.0)]  # the present one


def test_pairs_are_not_ranked_behind_two_low_passes(room):
    fixed = changed(room, fixed=(0, 1), path_response=None, low_pass=LINKWITZ_RILEY)
    found = join(fixed)
    assert found.corners is None
    assert "more than one low-pass" in found.corners_missing


def test_an_answer_wants_a_look_when_anything_about_it_is_in_doubt(found):
    alignment = msgspec.structs.replace(found.record.alignment, either_polarity=False, at_end=False)
    sure = msgspec.structs.replace(found.record, alignment=alignment)
    assert not replace(found, record=sure).doubtful
    gap = Meeting(frequency=90.0, sum_db=-8.0, faults=(MeetingFault.GAP,))
    for doubt in (
        {"alignment": msgspec.structs.replace(alignment, either_polarity=True)},
        {"alignment": msgspec.structs.replace(alignment, at_end=True)},
        {"notes": ("sum_disagrees",)},
        {"explanation": SumExplanation(difference=0.1, left=0.1, explained=False)},
        {"meeting": gap},
    ):
        record = msgspec.structs.replace(sure, **doubt)
        assert replace(found, record=record).doubtful


def test_settings_while_measuring_are_taken_out(quick):
    """Subwoofer 1 ms early and inverted by the processor while measuring: the same answer."""
    alike = record_of(changed(quick, low_pass=LINKWITZ_RILEY))
    turned = tuple(
        replace(
            m,
            response=m.response.filtered(
                delayed(-np.ones(m.response.frequencies.size), -0.001,
                        frequencies=m.response.frequencies)
            ),
        )
        if m.source == "sub"
        else m
        for m in quick.survey.measurements
        if m.source != "both"
    )  # fmt: skip
    again = replace(
        changed(quick, present_delay=-0.001, low_pass=LINKWITZ_RILEY),
        survey=replace(quick.survey, measurements=turned),
        present=replace(quick.present, polarity="inverted"),
    )
    record = record_of(again)
    assert record.present.delay_ms == -1.0
    # what was found then is 1 ms and a polarity away from what was found before
    assert record.loss_before_db > alike.loss_before_db + 1.0
    for kind in ("normal", "inverted"):
        one, other = (getattr(r.alignment, kind) for r in (record, alike))
        if one.settings.delay_ms == other.settings.delay_ms:
            assert one.loss_db == pytest.approx(other.loss_db, abs=0.01)


def engaged(room, times, *, late=0.0):
    """Return a seat with the subwoofer's low-pass engaged so many times and nothing else wrong."""
    axis = room.survey.measurements[0].response.frequencies
    low = linkwitz_riley("low", 4, corner=80.0, frequencies=axis) ** times
    parts = {
        "sub": delayed(low, late, frequencies=axis),
        "mains": linkwitz_riley("high", 4, corner=80.0, frequencies=axis),
    }
    measurements = tuple(
        replace(m, response=FrequencyResponse.from_pressure(axis, parts[m.source]))
        for m in room.survey.at_seat("seat 1")
        if m.source in parts
    )
    path = (room.path[0], *[replace(room.path[1], where=f"box {i}") for i in range(times - 1)])
    changed_survey = replace(room.survey, measurements=measurements)
    quiet = changed(room, path_response=None)
    return with_path(replace(quiet, survey=changed_survey), path)


def with_path(room, path):
    return replace(room, path=path, target=replace(room.target, path=path))


def test_of_three_low_passes_two_may_go_but_never_the_last(room):
    once, thrice = record_of(engaged(room, 1)), record_of(engaged(room, 3))
    assert len(thrice.bypass) == 2
    assert not any("processor" in one for one in thrice.bypass)
    assert thrice.loss_db == pytest.approx(once.loss_db, abs=0.02)
    assert thrice.loss_db < 0.1  # with one left both are in phase: an all-pass
    # one more than is described: without the described one it would be the one that matches
    hidden = with_path(engaged(room, 2), room.path[:1])
    assert record_of(hidden).bypass == ()


def test_the_low_pass_that_does_not_match_goes_though_it_stands_first(room):
    once = engaged(room, 1)
    low = replace(room.path[0], order=2, corner=50.0, where="source")
    axis = once.survey.measurements[0].response.frequencies
    extra = linkwitz_riley("low", 2, corner=50.0, frequencies=axis)
    measurements = tuple(
        replace(m, response=m.response.filtered(extra)) if m.source == "sub" else m
        for m in once.survey.measurements
    )
    survey = replace(once.survey, measurements=measurements)
    record = record_of(with_path(replace(once, survey=survey), (low, room.path[1])))
    assert record.bypass == (str(low),)
    assert record.delay_stated
    assert not record_of(changed(once, delays=None)).delay_stated


def test_a_seat_with_a_spoilt_recording_counts_half(quick):
    spoilt = SimpleNamespace(
        left_out=False, spoilt=True, seat="seat 1", source="sub", file="sub_0.txt"
    )
    record = join(replace(quick, recordings=(spoilt,))).record
    assert [row.weight for row in record.seats] == pytest.approx([1 / 3, 2 / 3])


def test_loss_of_the_room_file_holds_for_the_bands(quick):
    loud = quick.survey.filtered("sub", lambda axis: np.full(axis.size, 2.0))
    louder = replace(quick, survey=loud)
    plain, strict = (
        record_of(replace(louder, loss=loss), keep_bands=False).bands
        for loss in (louder.loss, Loss(excess_weight=9.0))
    )
    assert strict.deviation_before_db > plain.deviation_before_db


def test_the_polarity_is_not_tested_where_the_paths_are_not_described(quick):
    for room, said in (
        (changed(quick, mains_path=None), "not described"),
        (replace(quick, corner_origin="stated"), "not described"),
    ):
        record = record_of(room)
        assert record.polarity is None
        assert said in record.polarity_obstacle


def test_check_finds_what_join_finds_of_the_sum(quick, tmp_path, capsys):
    assert not room_overview(quick).sum_doubtful
    measurements = []
    for m in quick.survey.measurements:
        response = m.response
        if m.source == "both":
            response = response.filtered(np.full(response.frequencies.size, 10 ** (3.0 / 20)))
        measurements.append(replace(m, response=response))
    louder = replace(quick, survey=replace(quick.survey, measurements=tuple(measurements)))
    for room, said in (
        (louder, "It is as if everything was 3.0 dB louder while both were measured."),
        (changed(quick, mains_path=()), "By their filters the mains run full range"),
    ):
        overview = room_overview(room)
        text = " ".join(room_text(overview).split())
        assert said in text.split("Found: look at these first")[1]
        assert said in " ".join(room_joining_text(join(room)).split())
        assert overview.sum_doubtful
    toml = JOINED_TOML.replace(
        'corner = 80\nwhere = "processor"\n[processor]', "corner = 160\n[processor]"
    )
    assert toml != JOINED_TOML
    assert main(["check", str(write_joined_room(tmp_path, toml=toml))]) == 1
    assert "a gap that no delay fills" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(("order", "in_phase"), [(4, True), (2, False)])
def test_a_told_polarity_is_no_setting_where_the_filters_turn_it(quick, order, in_phase):
    """Second-order Linkwitz-Riley: half a turn apart at the corner, wired right it wants a flip."""
    axis = quick.survey.measurements[0].response.frequencies
    parts = {
        source: linkwitz_riley(kind, order, corner=80.0, frequencies=axis)
        for source, kind in (("sub", "low"), ("mains", "high"))
    }
    measurements = tuple(
        replace(m, response=FrequencyResponse.from_pressure(axis, parts[m.source]))
        for m in quick.survey.measurements
        if m.source in parts
    )
    filters = replace(quick.path[0], order=order)
    high = replace(quick.joining.mains_path[0], order=order)
    room = replace(quick, survey=replace(quick.survey, measurements=measurements))
    room = changed(with_path(room, (filters,)), mains_path=(high,))
    found = solve_joining(room)
    assert found.polarity.inverted is False
    assert found.alignment.told_inverted is (False if in_phase else None)
    assert found.alignment.chosen.settings.inverted is not in_phase
    assert found.alignment.chosen.loss_db < 0.3


def test_a_measured_sum_with_less_of_the_subwoofer_is_told_as_a_level(quick):
    """Both were measured with the subwoofer 4 dB lower than by itself."""
    parts = {(m.seat, m.source): m.response for m in quick.survey.measurements}
    measurements = tuple(
        replace(
            m,
            response=FrequencyResponse.from_pressure(
                m.response.frequencies,
                10 ** (-4 / 20) * parts[m.seat, "sub"].pressure + parts[m.seat, "mains"].pressure,
            ),
        )
        if m.source == "both"
        else m
        for m in quick.survey.measurements
    )
    found = join(replace(quick, survey=replace(quick.survey, measurements=measurements)))
    assert found.record.explanation.explained
    assert found.record.explanation.level_db == pytest.approx(-4.0, abs=0.3)
    text = " ".join(room_joining_text(found).split())
    assert "as if the subwoofer was 4.0 dB quieter while both were measured" in text
    assert record_of(quick).explanation is None


def test_the_boxes_of_both_are_taken_out_or_none(quick):
    mains, box = MainsBox(kind="closed", corner=40.0), ClosedBox(resonance=25.0, q=0.7071)
    equipment = replace(quick.equipment, box=box)
    for room, boxes in (
        (quick, False),
        (changed(quick, mains=mains), False),
        (replace(quick, equipment=equipment), False),
        (changed(replace(quick, equipment=equipment), mains=mains), True),
    ):
        assert record_of(room).polarity.boxes is boxes


def test_text_and_json_hold_the_answer(found):
    text = " ".join(room_joining_text(found, detail=True).split())
    assert " ".join(text_of(path_part(found.path, found.estimate)).split()) in text
    assert "Bypass: low-pass Linkwitz-Riley 24 dB/oct at 80 Hz in the amplifier" in text
    assert "Polarity: inverted (now normal)" in text
    assert "EITHER delay the mains by" in text
    assert "never both" in text
    assert "What bands would still do" in text
    assert "Other corners and slopes were not tried" in text
    assert "volume down first" in text
    last = text.partition("To set: ")[2]
    for said in ("Bypass: low-pass Linkwitz-Riley 24 dB/oct at 80 Hz", "EITHER", "inverted"):
        assert said in last
    assert "Phase control" in text
    assert "Phase control" not in last  # it stays
    assert "The subwoofer's path" not in room_joining_text(found)  # the bypass says it
    report = json.loads(found.to_json())
    assert report["joining"]["settings"]["inverted"] is True
    assert report["engaged"]["verdict"] == "identified"
    assert report["pairs"] == []


def test_levels_alone_give_the_same_verdict_with_their_doubt(tmp_path):
    toml = JOINED_TOML.replace("common_reference = true", "common_reference = false")
    four = ("sub", "mains", "both", "difference")
    folder = write_joined_room(tmp_path, toml=toml, late=-0.0075, sources=four)
    found = join(read_room(folder))
    assert found.record is None
    assert found.levels is not None
    assert found.doubtful
    # with phase the sum as measured can be formed; levels must tell the same loss
    timed = record_of(read_room(write_joined_room(tmp_path, late=-0.0075, sources=four)))
    assert found.levels.if_late.loss_before_db == pytest.approx(timed.loss_before_db, abs=0.1)
    text = " ".join(room_joining_text(found).split())
    assert "Joining from levels alone" in text
    assert "Is the subwoofer late or early?" in text
    assert "trying the wrong one is worse" in text
    assert "bypass it first, and measure all four again" in text  # the path's advice comes after
    assert "Other corners" not in text


def test_levels_of_each_alone_are_scipys(four, by_levels):
    """A Linkwitz-Riley low-pass and a closed box of 25 Hz against one high-pass of 80 Hz."""
    assumed = changed(four, delays=None)
    weighed = replace(four.survey, seat_weights={"seat 1": 3.0, "seat 2": 1.0})
    found = join(replace(assumed, survey=weighed)).levels
    record = found.if_late
    axis = np.array(record.frequencies)
    sub = linkwitz_riley("low", 4, corner=80.0, frequencies=axis)
    sub = sub * butterworth("high", 2, corner=25.0, frequencies=axis)
    mains = linkwitz_riley("high", 4, corner=80.0, frequencies=axis)
    apart_db = 20 * np.log10(np.abs(sub / mains))
    told_db = np.array(record.sub_level_db) - np.array(record.mains_level_db)
    np.testing.assert_allclose(told_db, np.tile(apart_db, (2, 1)), atol=0.3)  # 1/12 octave
    assert [row.weight for row in record.seats] == [0.75, 0.25]
    assert not record.delay_stated
    assert by_levels.levels.if_late.delay_stated


def test_a_decision_in_the_room_file_stays(four, by_levels, tmp_path):
    both = by_levels.levels
    assert both.answer is None
    for word in ("late", "early"):
        found = join(changed(four, subwoofer_is=word))
        assert found.levels.answer == getattr(both, f"if_{word}")
        text = " ".join(room_joining_text(found).split())
        assert f"That the subwoofer is {word} was decided" in text
        assert "late or early?" not in text
        assert "EITHER delay" in text or "leave the delay as it is" in text
    toml = JOINED_TOML.replace(
        "common_reference = true", 'common_reference = false\nsubwoofer = "early"'
    )
    sources = ("sub", "mains", "both", "difference")
    read = read_room(write_joined_room(tmp_path, toml=toml, sources=sources))
    assert read.joining.subwoofer_is == "early"
    contradicting = toml.replace("common_reference = false", "common_reference = true")
    with pytest.raises(RoomFileError, match="needs no statement"):
        read_room(write_joined_room(tmp_path, toml=contradicting, sources=sources))


def test_a_path_that_is_not_as_described_is_in_doubt(found, four):
    decided = changed(four, subwoofer_is="late")
    assert found.estimate.as_described
    twice = join(replace(decided, path=decided.path * 2))  # one of them was not there
    assert twice.estimate.as_described is False
    assert twice.doubtful


def test_a_decided_answer_of_levels_can_be_kept_and_is_no_longer_in_doubt(four, by_levels):
    decided = join(changed(four, subwoofer_is="late"))
    assert by_levels.settled is None
    assert by_levels.doubtful
    assert not decided.doubtful
    plan = propose(four, node_limit=1, joined=decided.settled)
    assert plan.joining == decided.levels.if_late
    assert all(band.gain_db == band.present_db for band in plan.bands)
    assert plan.level.change_db == 0.0
    text = " ".join(plan_text(plan).split())
    assert "joined by levels alone, as was decided" in text
    assert "are not joined" not in text
    assert "was not tested: levels alone do not tell." in text


def test_levels_with_settings_in_force_tell_what_is_absolute(four, by_levels):
    """Measured with 1 ms and inverted: the same sum, described as another setting."""
    stated = changed(replace(four, present=replace(four.present, polarity="inverted")),
                     present_delay=-0.001)  # fmt: skip
    found = join(stated).levels
    assert found.if_late.present.inverted
    assert found.if_late.present.delay_ms == -1.0
    assert found.if_late.loss_before_db == pytest.approx(
        by_levels.levels.if_late.loss_before_db, abs=1e-6
    )


def test_levels_need_all_four_at_a_seat_over_a_shared_span_in_narrow_bands(four):
    survey = four.survey

    def without(survey, change):
        return replace(four, survey=replace(survey, measurements=tuple(change(survey))))

    one_seat = without(
        survey, lambda s: [m for m in s.measurements if (m.seat, m.source) != ("seat 2", "both")]
    )
    assert [row.seat for row in join(one_seat).levels.if_late.seats] == ["seat 1"]

    def cut(m, **changes):
        r = m.response
        kept = r.frequencies >= 50.0
        axis, level = r.frequencies[kept], r.level_db[kept]
        return replace(m, response=FrequencyResponse.from_level(axis, level, **changes))

    short = without(survey, lambda s: [cut(m) if m.source == "both" else m for m in s.measurements])
    assert join(short).levels.if_late.frequencies[0] >= 50.0  # an octave below 80 Hz elsewhere
    coarse = without(survey, lambda s: [cut(m, resolution="third_octave") for m in s.measurements])
    with pytest.raises(ValueError, match="narrow-band responses"):
        join(coarse)


def test_repeats_of_levels_count_by_their_power(four, by_levels):
    """A repeat 6.02 dB up: ten times the logarithm of (1 + 4)/2 is 3.98 dB, the mean of both 3."""
    louder = [replace(m, response=m.response.filtered(np.full(m.response.frequencies.size, 2.0)))
              for m in four.survey.measurements]  # fmt: skip
    survey = replace(four.survey, measurements=(*four.survey.measurements, *louder))
    once = by_levels.levels.if_late
    twice = join(replace(four, survey=survey)).levels.if_late
    rise = np.array(twice.before_level_db) - np.array(once.before_level_db)
    np.testing.assert_allclose(rise, 10 * np.log10(2.5), atol=0.02)


@pytest.mark.parametrize(
    ("sources", "said"),
    [
        (("sub",), "against one time reference"),
        (("sub", "mains", "both"), "'difference'"),
    ],
)
def test_too_few_measurements_are_refused_with_what_is_missing(tmp_path, sources, said):
    toml = JOINED_TOML.replace("common_reference = true", "common_reference = false")
    room = read_room(write_joined_room(tmp_path, toml=toml, sources=sources))
    with pytest.raises(ValueError, match=said):
        join(room)


def test_without_a_corner_there_is_nothing_to_join(room):
    with pytest.raises(ValueError, match="crossover's corner"):
        join(replace(room, corner=None))
