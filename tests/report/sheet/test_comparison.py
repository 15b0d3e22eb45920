"""Evidence of several plans side by side: what is shared is said once, nothing is lost."""

import msgspec
import numpy as np
import pytest
from places import SAVED_PLANS
from sheet_rows import rows

from roomeq.optimiser.bands.reasons import Reason
from roomeq.plan.plan import read_plan
from roomeq.plan.records import QCheck
from roomeq.report.sheet.evidence import sentences, sheet_comparison
from roomeq.report.sheet.sheet import settings_sheet

replace = msgspec.structs.replace


@pytest.fixture(scope="module")
def plan():
    return read_plan(SAVED_PLANS / "format_1.json")


def test_rows_hold_what_every_plan_says(plan):
    bands = tuple(replace(band, error_db=1.0 + n) for n, band in enumerate(plan.bands))
    plans = {"music": plan, "film": replace(plan, bands=bands)}
    found = sheet_comparison(plans)
    assert list(found.bands) == [band.label for band in plan.bands]
    assert list(found.bands.values()) == list(zip(plan.bands, bands, strict=True))
    assert found.spread_shared
    assert list(found.seats) == [seat.seat for seat in plan.seats]
    assert found.weights_shared
    assert list(found.seats.values()) == [(seat, seat) for seat in plan.seats]
    text = settings_sheet(plans)
    # an error is told at the proposed level: less the mean of what the bands do
    mean_db = np.dot(plan.curves.frequency_weights, plan.curves.response_db)
    for n, band in enumerate(plan.bands, start=1):
        music, film, both = rows(text, f"{band.label}\N{NO-BREAK SPACE}Hz")
        assert film[0] == f"{n - mean_db:+.1f}"
        assert both[0] == f"{band.spread_db:.1f}"
        assert both[1:] == [music[0], music[1], music[3], film[0], film[1], film[3]]
    for seat in plan.seats:
        music, film, both = rows(text, seat.seat)
        assert both == [f"{100 * seat.weight:.0f} %", *music[1:], *film[1:]]


def test_what_differs_is_not_called_shared(plan):
    bands = (replace(plan.bands[0], spread_db=9.9), *plan.bands[1:])
    seats = (replace(plan.seats[0], weight=0.9), *plan.seats[1:])
    plans = {"a": plan, "b": replace(plan, bands=bands, seats=seats)}
    found = sheet_comparison(plans)
    assert not found.spread_shared
    assert not found.weights_shared
    text = settings_sheet(plans)
    *_, both = rows(text, f"{bands[0].label}\N{NO-BREAK SPACE}Hz")
    assert both[6] == "9.9"
    *_, both = rows(text, seats[0].seat)
    assert both[4] == "90 %"


def test_bands_and_seats_that_one_plan_lacks(plan):
    lacking = {
        name: getattr(plan.curves, name)[:-1]
        for name in ("before_level_db", "predicted_level_db", "trust")
    }
    curves = replace(plan.curves, **lacking)
    less = replace(plan, bands=plan.bands[1:], seats=plan.seats[:-1], curves=curves)
    plans = {"less": less, "all": plan}
    found = sheet_comparison(plans)
    assert list(found.bands) == [band.label for band in plan.bands]
    assert found.bands[plan.bands[0].label][0] is None
    assert found.seats[plan.seats[-1].seat] == (None, plan.seats[-1])
    text = settings_sheet(plans)
    *_, both = rows(text, f"{plan.bands[0].label}\N{NO-BREAK SPACE}Hz")
    assert both[1:4] == ["–", "–", "no such band"]
    *_, both = rows(text, plan.seats[-1].seat)
    assert both[1:4] == ["–", "–", "–"]


def test_figures_are_those_of_the_sentences(plan):
    """One figure has one name: what is said of a plan by itself is said beside another one."""
    checks = (QCheck(factor=0.7, before_db=5.9, after_db=4.1),)
    plan = replace(plan, evidence=replace(plan.evidence, q_checks=()))
    known = replace(plan, evidence=replace(plan.evidence, q_checks=checks, filter_boost_db=1.7))
    found = sheet_comparison({"a": known, "b": plan})
    ((_, alone),) = sentences(known)
    assert " ".join(row[0] for row in found.figures.values()) == " ".join(alone)
    assert list(found.figures)[-1] == "Another Q"
    assert found.figures["Another Q"] == ("With 0.7 times the assumed Q: 4.1 dB predicted.", None)


def test_bounds_are_rounded_down(plan):
    found = sheet_comparison(
        {"a": replace(plan, evidence=replace(plan.evidence, lower_bound_db=3.999))}
    )
    assert "better than 3.99 dB (proven);" in found.figures["How near the best"][0]


def test_remedies_name_bands_and_plans(plan):
    none = [replace(band, reason=None) for band in plan.bands]
    noisy = [*none[:2], *(replace(band, reason=Reason.NOISE) for band in none[2:4]), *none[4:]]
    both = [replace(noisy[0], reason=Reason.CANCELLATION), *noisy[1:]]
    found = sheet_comparison(
        {"music": replace(plan, bands=tuple(noisy)), "film": replace(plan, bands=tuple(both))}
    ).remedies
    said = [[(entry.text, entry.names) for entry in named] for named, _, _ in found]
    assert sorted(said) == [[("20 Hz", "film")], [("31.5 and 40 Hz", "")]]
    words = {named[0].text: (why, would) for named, why, would in found}
    assert "cancelled" in words["20 Hz"][0]
    assert "Measuring again" in words["31.5 and 40 Hz"][1]
