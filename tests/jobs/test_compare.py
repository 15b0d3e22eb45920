"""Two surveys of a room, the later one made from the earlier through known changes."""

from dataclasses import replace

import numpy as np
import pytest
from devices_apart import peaking
from joining_rooms import linkwitz_riley
from places import SAMPLES

from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement
from roomeq.importers.room import read_room
from roomeq.jobs.compare import compare
from roomeq.plan.verification import CauseCode
from roomeq.report.text.comparison import comparison_text


@pytest.fixture(scope="module")
def cabin():
    return read_room(SAMPLES / "lakeside_cabin")


@pytest.fixture(scope="module")
def office():
    return read_room(SAMPLES / "ferry_office")


def scatter_db(axis, rng, size):
    """Return what a repeat differs by: Gaussian, hanging together over a third of an octave."""
    octaves = np.log2(axis)
    nodes = np.arange(octaves[0] - 1, octaves[-1] + 1, 1 / 3)
    return np.interp(octaves, nodes, rng.normal(0, size, nodes.size))


def later(room, change=None, *, seed=1, size_db=0.2, seats=None, sources=None, **changes):
    """Return the room measured again; `change` takes seat, source and Hz to a complex ratio."""
    rng, rows = np.random.default_rng(seed), []
    for entry in room.survey.measurements:
        axis = entry.response.frequencies
        ratio = 1.0 if change is None else change(entry.seat, entry.source, axis)
        level = 20 * np.log10(np.abs(ratio)) + scatter_db(axis, rng, size_db)
        if (seats and entry.seat not in seats) or (sources and entry.source not in sources):
            continue
        response = FrequencyResponse.from_level(axis, entry.response.level_db + level)
        rows.append(Measurement(seat=entry.seat, source=entry.source, response=response))
    survey = replace(room.survey, measurements=tuple(rows), seat_weights=None)
    return replace(room, survey=survey, **changes)


def text_of(found):
    return " ".join(comparison_text(found).split())


def of_sub(ratio):
    return lambda _seat, source, axis: ratio(axis) if source == "sub" else np.ones(axis.size)


@pytest.mark.parametrize("seed", range(4))
def test_nothing_has_changed_beyond_repeatability(cabin, seed):
    found = compare(cabin, later(cabin, seed=seed))
    assert found.unchanged
    assert next(cause.code for cause in found.causes) is CauseCode.AS_PLANNED
    assert all(row.agrees for row in (*found.seats, *found.bands))
    assert "Nothing has changed since 2024-06-14, as far as a repeat scatters" in text_of(found)


def test_the_level_alone(cabin):
    found = compare(cabin, later(cabin, lambda *_: 10 ** (-3 / 20)))
    assert not found.unchanged
    assert not found.level_agrees
    assert found.offset_db == pytest.approx(-3.0, abs=0.2)
    for row in found.seats:
        assert row.agrees
        assert row.level_db == pytest.approx(-3.0, abs=0.3)
        assert row.tilt_db_per_octave == pytest.approx(0.0, abs=0.3)
    said = text_of(found)
    assert "Only the level has changed" in said
    assert "Level knob, drive level or microphone gain: which of them cannot be told." in said
    assert "level only" in said
    assert "Likely cause" not in said


def test_a_tilt_is_told_from_a_level(cabin):
    found = compare(cabin, later(cabin, lambda _s, _p, f: (f / 50.0) ** (2.5 / 6.02)))
    for row in found.seats:
        assert row.tilt_db_per_octave == pytest.approx(2.5, abs=0.3)
        assert row.rest_db < 0.6
    assert not found.unchanged
    assert "tilt" in text_of(found)


@pytest.mark.parametrize(("label", "centre", "turned"), [("50", 50.12, 5.0), ("40", 39.81, -4.0)])
def test_a_band_that_was_turned_is_named(cabin, label, centre, turned):
    before = cabin.present.gains_db[cabin.equaliser.index_of(label)]

    def ratio(axis):  # Audio EQ Cookbook, Q 4.318, from what is set to what is set then
        return peaking(axis, centre, 4.318, before + turned) / peaking(axis, centre, 4.318, before)

    found = compare(cabin, later(cabin, of_sub(ratio)))
    assert not found.unchanged
    (first, *_) = found.causes
    assert (first.code, first.bands) == (CauseCode.BAND, (label,))
    assert first.gains_db[0] == pytest.approx(turned, abs=1.0)
    assert not next(row for row in found.bands if row.label == label).agrees
    assert f"Likely cause: the band at {label} Hz looks turned by {'+' if turned > 0 else '-'}" in (
        text_of(found)
    )


def test_a_seat_that_was_moved_is_named(cabin):
    def moved(seat, _source, axis):
        wave = 4.0 * np.sin(2 * np.pi * 2.1 * np.log2(axis / 20.0))
        return 10 ** (wave / 20) if seat == "reading bench" else np.ones(axis.size)

    found = compare(cabin, later(cabin, moved))
    assert (found.causes[0].code, found.causes[0].seats) == (
        CauseCode.SEAT_MOVED,
        ("reading bench",),
    )
    assert [row.seat for row in found.seats if not row.agrees] == ["reading bench"]
    assert "shape" in text_of(found)


def test_seats_that_are_missing_or_new_are_named(cabin):
    names = cabin.survey.seats
    after = later(cabin, seats=names[:4])
    extra = replace(after.survey.measurements[0], seat="balcony")
    survey = replace(after.survey, measurements=(*after.survey.measurements, extra))
    found = compare(cabin, replace(after, survey=survey))
    assert found.unchanged
    assert found.missing == tuple(names[4:])
    assert found.new == ("balcony",)
    assert f"Not measured again: {', '.join(names[4:])}." in text_of(found)
    assert "Not measured before: balcony." in text_of(found)


def test_a_low_pass_that_was_switched_on_is_named(cabin):
    found = compare(
        cabin, later(cabin, of_sub(lambda f: linkwitz_riley("low", 4, corner=80.0, frequencies=f)))
    )
    assert CauseCode.LOW_PASS in [cause.code for cause in found.causes]
    assert "a low-pass near" in text_of(found)
    assert "was switched on" in text_of(found)


def turned(room, gains):
    """Return what other gains do: exact centres of IEC 61260-1, Audio EQ Cookbook."""

    def ratio(axis):
        total = np.ones(axis.size, dtype=complex)
        for n, (now, then) in enumerate(zip(room.present.gains_db, gains, strict=True)):
            centre = 10 ** ((13 + n) / 10)
            total *= peaking(axis, centre, 4.318, then) / peaking(axis, centre, 4.318, now)
        return total

    return ratio


def test_settings_stated_afterwards_explain_what_they_change(cabin):
    gains = np.array(cabin.present.gains_db)
    gains[[2, 4, 6]] = [-6.0, 4.0, -5.0]
    ratio = turned(cabin, gains)
    level_db = cabin.present.level_db + 3.5  # with nothing beside it, how much louder all is
    present = replace(cabin.present, gains_db=gains, gains_stated=True, level_db=level_db)
    louder = later(cabin, of_sub(lambda f: ratio(f) * 10 ** (3.5 / 20)), present=present)
    found = compare(cabin, louder)
    assert found.offset_db == pytest.approx(3.5, abs=0.2)
    assert not found.level_agrees
    assert found.causes[0].code is CauseCode.OTHER_PLAN
    said = text_of(found)
    assert "the settings that the later room file states are in force." in said
    if cabin.present.gains_stated:
        assert {row.label for row in found.stated} == {"level", "31.5", "50", "80"}


def test_bands_and_level_stated_afterwards_explain_it_beside_the_mains(office):
    gains = np.array(office.present.gains_db)
    gains[[2, 4, 6]] = [-6.0, 4.0, -5.0]
    ratio, present = turned(office, gains), replace(office.present, level_db=0.0)
    before = replace(office, present=present)
    after = later(
        before,
        of_sub(lambda f: ratio(f) * 10 ** (-4 / 20)),
        sources=("sub", "mains"),
        present=replace(
            present, gains_db=gains, gains_stated=True, level_db=-4.0, delay_stated=True
        ),
        joining=replace(office.joining, present_delay=-0.0039),
    )
    before = replace(before, present=replace(present, delay_stated=True))
    found = compare(before, after)
    assert [cause.code for cause in found.causes] == [CauseCode.OTHER_PLAN]
    assert "Level knob: 0.0 dB, then -4.0 dB" in text_of(found)
    assert "against the mains: 0.00 ms, then -3.90 ms" in text_of(found)


def test_subwoofer_against_mains(office):
    louder = later(
        office, of_sub(lambda f: np.full(f.size, 10 ** (4 / 20))), sources=("sub", "mains")
    )
    found = compare(office, louder)
    told = {cause.code: cause for cause in found.causes}
    assert set(told) <= {CauseCode.LEVEL, CauseCode.MAINS_LEVEL}
    assert told[CauseCode.LEVEL].value == pytest.approx(4.0, abs=0.6)
    assert "the subwoofer is 4.0 dB louder against the mains" in text_of(found)


def test_a_polarity_that_was_turned_is_not_overlooked(office):
    rows = {}
    for seat in office.survey.of_source("both").seats:
        parts = {entry.source: entry.response for entry in office.survey.at_seat(seat)}
        axis = parts["both"].frequencies
        sub, mains = (
            np.interp(axis, parts[s].frequencies, parts[s].pressure.real)
            + 1j * np.interp(axis, parts[s].frequencies, parts[s].pressure.imag)
            for s in ("sub", "mains")
        )
        rows[seat] = (mains - sub) / (mains + sub)
    after = later(
        office, lambda seat, source, axis: rows[seat] if source == "both" else np.ones(axis.size)
    )
    found = compare(office, after)
    assert not found.unchanged
    assert "both together are not: polarity, delay, or what was not" in text_of(found)


def test_what_is_no_other_survey_of_the_room_is_refused(cabin, office):
    with pytest.raises(ValueError, match="give two surveys of one room, or say --force"):
        compare(cabin, office)
    with pytest.raises(ValueError, match=r"nothing to compare: .*before sub at .*wards sub at "):
        compare(cabin, office, other_room=True)
    with pytest.raises(ValueError, match="the very same measurement in both surveys"):
        compare(cabin, cabin)


@pytest.mark.parametrize("size_db", [0.3, 1.0])
def test_one_seat_that_is_louder_is_no_scatter(cabin, size_db):
    louder = {"sofa left": 10 ** (5.0 / 20.0)}
    found = compare(
        cabin,
        later(
            cabin,
            lambda seat, _source, axis: np.full(axis.size, louder.get(seat, 1.0)),
            size_db=size_db,
            seed=3,
        ),
    )
    assert not found.unchanged
    assert [row.seat for row in found.seats if not row.agrees] == ["sofa left"]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("louder_db", [0.0, 4.0])
def test_the_mean_of_a_seat_scatters_less_than_its_bins(cabin, louder_db, seed):
    room = replace(cabin, repeatability_db=1.0)
    ratio = {"sofa left": 10 ** (louder_db / 20.0)}
    again = later(
        room,
        lambda seat, _source, axis: np.full(axis.size, ratio.get(seat, 1.0)),
        size_db=1.2,
        seed=seed,
    )
    assert compare(room, again).unchanged is (louder_db == 0.0)
