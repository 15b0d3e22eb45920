"""pandas tables of results, and the short views of notebooks."""

import io
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import msgspec
import numpy as np
import pandas as pd
import pytest
from joining_rooms import write_joined_room
from places import SAMPLES
from synthetic_rooms import nine_bands, survey_of

from roomeq.analysis.seats import estimate_seat_statistics
from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.importers.room import read_room
from roomeq.jobs.check import room_overview
from roomeq.jobs.join import join
from roomeq.jobs.propose import propose
from roomeq.optimiser.bands.gains import fit_band_gains
from roomeq.optimiser.bands.reasons import Reason, band_frame
from roomeq.wanted.limits import Limits

AXIS = np.geomspace(20.0, 200.0, 31)


@pytest.fixture(scope="module")
def room():
    return read_room(SAMPLES / "lakeside_cabin")


@pytest.fixture(scope="module")
def plan(room):
    return propose(room, node_limit=1)


def phased(seed=0, **others):
    random = np.random.default_rng(seed)
    pressure = random.normal(size=AXIS.size) + 1j * random.normal(size=AXIS.size)
    return FrequencyResponse.from_pressure(AXIS, pressure, **others)


def same(first, second):
    """Whether two responses are alike, phase and quality among it."""
    assert np.array_equal(first.frequencies, second.frequencies)
    assert first.has_phase == second.has_phase
    np.testing.assert_allclose(first.stored, second.stored, rtol=1e-12)
    assert first.level_reference == second.level_reference
    assert first.resolution == second.resolution
    assert (first.snr_db is None) == (second.snr_db is None)
    if first.snr_db is not None:
        assert np.array_equal(first.snr_db, second.snr_db)


def response_of(frame):
    known = {name: frame[name] for name in ("phase_deg", "snr_db") if name in frame}
    known = {name: column for name, column in known.items() if column.notna().any()}
    for name in ("level_reference", "resolution"):
        (known[name],) = frame[name].unique()
    return FrequencyResponse.from_level(frame["frequency"], frame["level_db"], **known)


RESPONSES = {
    "phase": phased(),
    "snr": phased(1, snr_db=np.linspace(5.0, 40.0, AXIS.size), level_reference="spl"),
    "level": FrequencyResponse.from_level(AXIS, np.linspace(70.0, 90.0, AXIS.size)),
    "bands": FrequencyResponse.from_level([20.0, 25.0], [70, 71], resolution="third_octave"),
}


@pytest.mark.parametrize("response", RESPONSES.values(), ids=RESPONSES)
def test_a_response_comes_back(response):
    frame = response.to_frame()
    assert len(frame) == response.frequencies.size
    assert ("phase_deg" in frame) == response.has_phase
    assert ("snr_db" in frame) == (response.snr_db is not None)
    same(response_of(frame), response)


def test_response_columns_hold_what_their_names_say():
    frame = RESPONSES["snr"].to_frame()
    pressure = RESPONSES["snr"].pressure
    np.testing.assert_allclose(frame["level_db"], 20.0 * np.log10(np.abs(pressure)))
    np.testing.assert_allclose(frame["phase_deg"], np.degrees(np.angle(pressure)))
    assert set(frame["level_reference"]) == {"spl"}


def test_several_responses_stand_one_below_the_other():
    levels = np.arange(6.0).reshape(2, 3)
    frame = FrequencyResponse.from_level([20, 30, 40], levels).to_frame()
    assert frame["response"].tolist() == [0, 0, 0, 1, 1, 1]
    assert frame["frequency"].tolist() == [20, 30, 40] * 2
    assert frame["level_db"].tolist() == list(range(6))


@pytest.fixture
def survey():
    entries = [
        ("sofa", "sub", RESPONSES["snr"], "a.txt"),
        ("bench", "sub", replace(RESPONSES["level"], level_reference="spl"), None),
        ("sofa", "mains", phased(5), "c.txt"),
        ("sofa", "sub", phased(6), "repeat.txt"),
    ]
    return Survey(
        measurements=tuple(
            Measurement(seat=seat, source=source, route="direct", response=response, file=file)
            for seat, source, response, file in entries
        ),
        seat_weights={"bench": 2.0},
    )


def test_a_survey_comes_back(survey):
    frame = survey.to_frame()
    assert len(frame) == 4 * AXIS.size
    for number, entry in enumerate(survey.measurements):
        part = frame[frame["measurement"] == number]
        for name in ("seat", "source", "route", "file"):
            (word,) = part[name].unique()
            assert word == getattr(entry, name) or (word is None and entry.file is None)
        assert set(part["weight"]) == {2.0 if entry.seat == "bench" else 1.0}
        same(response_of(part), entry.response)


def test_a_sample_room_comes_back(room):
    kept = room.survey.to_frame()
    file, figures = io.StringIO(kept.to_csv(index=False)), kept.select_dtypes("number").columns
    words = pd.read_csv(file, dtype=dict.fromkeys(figures, str))  # an older pandas rounds figures
    frame = words.astype(dict.fromkeys(figures, float))
    for number, entry in enumerate(room.survey.measurements):
        same(response_of(frame[frame["measurement"] == number]), entry.response)


def test_seat_statistics():
    levels = np.array([[70.0, 80.0], [76.0, 80.0]])
    found = estimate_seat_statistics([20, 40], levels, seats=["sofa", "bench"])
    frame = found.to_frame()
    assert frame["frequency"].tolist() == [20, 40]
    assert frame["level_mean_db"].tolist() == [73, 80]
    assert frame["spread_db"].tolist() == [3, 0]
    assert frame["variance_db2"].tolist() == [9, 0]
    assert frame["range_db"].tolist() == [6, 0]
    assert frame["loudest"].tolist() == ["bench", "sofa"]
    assert frame["power_mean_db"].iloc[0] == pytest.approx(10 * np.log10((1e7 + 10**7.6) / 2))


def test_bands_of_a_plan_and_of_a_fit(plan):
    whole = plan.to_frame()
    frame = whole.iloc[: len(plan.bands)]
    assert whole["band"].tolist() == [*(band.label for band in plan.bands), "Level knob"]
    assert frame["gain_db"].tolist() == list(plan.gains_db)
    assert frame["set_to"].astype(float).tolist() == list(plan.gains_db)
    assert float(whole["set_to"].iloc[-1]) == plan.level.setting_db
    for name in ("centre", "present_db", "best_gain_db", "error_db", "spread_db", "remaining_db"):
        assert frame[name].dtype == np.float64
        expected = [getattr(band, name) for band in plan.bands]
        if name == "error_db":  # at the proposed level
            expected = [plan.error_db(band) for band in plan.bands]
        known = [np.nan if value is None else value for value in expected]
        np.testing.assert_array_equal(frame[name], known)
    for code, band in zip(frame["reason"], plan.bands, strict=True):
        assert (code == band.reason) if band.reason else pd.isna(code)
    assert frame["reason"].isin([str(reason) for reason in Reason]).any()
    assert band_frame(()).empty


def test_table_of_a_fit():
    axis = np.geomspace(8.0, 400.0, 400)
    survey = survey_of(
        80.0 + 4.0 * np.sin(np.log2(axis))[np.newaxis] * [[1], [2]], frequencies=axis
    )
    fit = fit_band_gains(survey, equaliser=nine_bands(), limits=Limits(), node_limit=1)
    assert fit.to_frame()["gain_db"].tolist() == fit.gains_db.tolist()


NASTY = '<script>alert("x")</script> & Söhne'


def cells(markup):
    """Return the cells of a table, row by row; fails if the markup is not well formed."""
    table = ET.fromstring(markup)
    assert table.tag == "table"
    assert {element.tag for element in table.iter()} <= {
        "table", "caption", "thead", "tbody", "tr", "th", "td",
    }  # fmt: skip
    rows = [[cell.text or "" for cell in row] for row in table.iter("tr")]
    return table.findtext("caption"), rows


def test_a_survey_in_a_notebook():
    entry = Measurement(seat=NASTY, source="mains", response=RESPONSES["snr"])
    caption, rows = cells(Survey(measurements=(entry,))._repr_html_())
    assert caption == "Survey 1 seat, 1 measurements of mains"
    assert rows[0] == ["Seat", "Source", "Points", "Hz", "Phase", "Level"]
    assert rows[1:] == [[NASTY, "mains", "31", "20 to 200", "yes", "dB SPL"]]


def test_a_plan_in_a_notebook(plan):
    bands = (msgspec.structs.replace(plan.bands[0], label=NASTY), *plan.bands[1:])
    cautions = (Caution(code=CautionCode.NOT_PROVEN, value=1.0),)
    nasty = msgspec.structs.replace(plan, room=NASTY, bands=bands, cautions=cautions)
    caption, rows = cells(nasty._repr_html_())
    assert caption.startswith(f"Plan for {NASTY}: ")
    assert caption.endswith("; 1 caution to read first")
    assert rows[1][0] == f"{NASTY} Hz"
    for row, band in zip(rows[1:], plan.bands, strict=False):
        assert [float(cell) for cell in row[1:3]] == [band.present_db, band.gain_db]
        assert row[3] == ("set" if band.gain_db != band.present_db else "")
    name, now, wanted, _ = rows[-1]
    assert name == "Level knob"
    assert float(wanted) == plan.level.setting_db
    assert float(wanted) - float(now) == pytest.approx(plan.level.change_db)
    level = msgspec.structs.replace(plan.level, setting_db=None)
    _, rows = cells(msgspec.structs.replace(plan, level=level, cautions=())._repr_html_())
    assert rows[-1][1:3] == ["not stated", f"{plan.level.change_db:+.1f} from now"]
    assert not re.search("caution", msgspec.structs.replace(plan, cautions=())._repr_html_())


@pytest.fixture(scope="module")
def joined(tmp_path_factory):
    return read_room(write_joined_room(tmp_path_factory.mktemp("joined"), seats=1))


def test_a_joined_plan_holds_all_that_is_to_be_set(joined):
    plan = propose(joined, node_limit=1)
    settings, frame = plan.joining.settings, plan.to_frame().set_index("band")
    _, (titles, *rows) = cells(plan._repr_html_())
    assert titles == ["Setting, gains in dB", "Now", "Set to", ""]
    shown = {name: (now, wanted, mark) for name, now, wanted, mark in rows}
    delay = f"{settings.delay_ms:+.2f} ms"
    assert settings.delay_ms < 0  # the mains are delayed: that is said, not only the sign
    assert shown["Delay of the subwoofer"][1:] == (f"{delay}: delay the mains", "set")
    assert shown["Polarity"] == ("normal", "inverted", "set")
    (bypass,) = plan.joining.bypass
    assert shown[bypass] == ("engaged", "bypass", "set")
    for name, (now, wanted, _) in shown.items():
        row = frame.loc[name.removesuffix(" Hz")]
        assert (row["now"], row["set_to"]) == (now, wanted)
    assert frame["gain_db"].dropna().tolist() == list(plan.gains_db)


def test_a_joining_in_a_notebook(joined):
    found = join(joined)
    caption, rows = cells(found._repr_html_())
    assert caption == repr(found)[1:-1]
    assert rows[0] == ["Setting", "Now", "Set to"]
    assert [tuple(row) for row in rows[1:]] == found.record.setting_rows()
    assert found.to_frame().to_numpy().tolist() == rows[1:]
    assert ["Polarity", "normal", "inverted"] in rows


def test_a_room_and_its_overview_in_a_notebook(room):
    told = replace(room, name=NASTY, findings=("a seat is far too loud",))
    caption, rows = cells(told._repr_html_())
    assert caption.startswith(f"{NASTY}: Survey 6 seats, 6 measurements of sub")
    assert ["Found", "a seat is far too loud"] in rows
    assert ["Crossover, Hz", "80.0"] in rows
    assert [name for name, _ in rows[1:]].count("Taken for granted") == len(room.assumptions)
    assert room.to_frame().equals(room.survey.to_frame())
    overview = room_overview(told)
    caption, (_, *rows) = cells(overview._repr_html_())
    assert caption == f"{NASTY}, found: 1 to be looked at first"
    frame = overview.to_frame()
    assert frame["label"].tolist() == [band.label for band in overview.bands]
    assert frame["spread_db"].tolist() == [band.spread_db for band in overview.bands]
    first = overview.bands[0]
    figures = first.power_mean_db, first.level_mean_db, first.spread_db, first.range_db
    assert rows[0] == ["20", *(f"{one:.1f}" for one in figures), first.loudest, first.quietest]
