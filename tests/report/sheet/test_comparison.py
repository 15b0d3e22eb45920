"""Evidence of several plans side by side: what is shared is said once, nothing is lost."""

import msgspec
import numpy as np
import pytest
from places import SAVED_PLANS
from sheet_rows import rows

from roomeq.optimiser.bands.reasons import Reason
from roomeq.plan.plan import read_plan
from roomeq.plan.records import QCheck
from roomeq.report.sheet.evidence import remedies, sentences, tables
from roomeq.report.sheet.sheet import settings_sheet

replace = msgspec.structs.replace


@pytest.fixture(scope="module")
def plan():
    return read_plan(SAVED_PLANS / "format_1.json")


def test_rows_hold_what_every_plan_says(plan):
    bands = tuple(replace(band, error_db=1.0 + n) for n, band in enumerate(plan.bands))
    plans = {"music": plan, "film": replace(plan, bands=bands)}
    band_table, seat_table, _ = tables(plans)
    assert list(band_table.rows) == [f"{band.label}\N{NO-BREAK SPACE}Hz" for band in plan.bands]
    assert list(seat_table.rows) == [seat.seat for seat in plan.seats]
    text = settings_sheet(plans)
    # an error is told at the proposed level: less the mean of what the bands do
    mean_db = np.dot(plan.curves.frequency_weights, plan.curves.response_db)
    for n, band in enumerate(plan.bands, start=1):
        music, film, both = rows(text, f"{band.label}\N{NO-BREAK SPACE}Hz")
        assert film[0] == f"{n - mean_db:+.1f}".replace("-", "\N{MINUS SIGN}")
        assert film[2] == f"{band.spread_db:.1f}"
        assert both == [*music, *film]
    for seat in plan.seats:
        music, film, both = rows(text, seat.seat)
        assert music[0] == f"{100 * seat.weight:.0f} %"
        assert both == [*music, *film]


def test_bands_and_seats_that_one_plan_lacks(plan):
    lacking = {
        name: getattr(plan.curves, name)[:-1]
        for name in ("before_level_db", "predicted_level_db", "trust")
    }
    curves = replace(plan.curves, **lacking)
    less = replace(plan, bands=plan.bands[1:], seats=plan.seats[:-1], curves=curves)
    text = settings_sheet({"less": less, "all": plan})
    *_, both = rows(text, f"{plan.bands[0].label}\N{NO-BREAK SPACE}Hz")
    assert both[:4] == ["–"] * 4
    assert both[4] != "–"
    *_, both = rows(text, plan.seats[-1].seat)
    assert both[:4] == ["–"] * 4
    assert both[4] != "–"


def test_figures_are_those_of_the_sentences(plan):
    """One figure has one name: what is said of a plan by itself is said beside another one."""
    checks = (QCheck(factor=0.7, before_db=5.9, after_db=4.1),)
    plan = replace(plan, evidence=replace(plan.evidence, q_checks=()))
    known = replace(plan, evidence=replace(plan.evidence, q_checks=checks, filter_boost_db=1.7))
    *_, told = tables({"a": known, "b": plan})
    alone = ["\n".join(texts) for texts in sentences(known, joins=False).values()]
    assert [row[0][0] for row in told.rows.values()] == alone
    assert list(told.rows)[-1] == "Another Q"
    assert told.rows["Another Q"] == (["With 0.7 times the assumed Q: 4.1 dB predicted."], None)


def test_bounds_are_rounded_down(plan):
    low = replace(plan, evidence=replace(plan.evidence, lower_bound_db=3.999))
    *_, told = tables({"a": low})
    assert "better than 3.99 dB (proven);" in told.rows["How near the best"][0][0]


def test_remedies_name_bands_and_plans(plan):
    none = [replace(band, reason=None) for band in plan.bands]
    noisy = [*none[:2], *(replace(band, reason=Reason.NOISE) for band in none[2:4]), *none[4:]]
    both = [replace(noisy[0], reason=Reason.CANCELLATION), *noisy[1:]]
    found = remedies(
        {"music": replace(plan, bands=tuple(noisy)), "film": replace(plan, bands=tuple(both))}
    )
    words = dict(text.split(": ", 1) for text in found[:-1])
    assert set(words) == {"20 Hz (film)", "31.5 and 40 Hz"}
    assert "cancelled" in words["20 Hz (film)"]
    assert "Measuring again" in words["31.5 and 40 Hz"]
    assert found[-1].startswith("What differs from seat to seat stays")
