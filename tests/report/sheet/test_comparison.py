"""Evidence of several plans side by side: what is shared is said once, nothing is lost."""

import msgspec
import pytest
from places import SAVED_PLANS

from roomeq.optimiser.bands.reasons import Reason
from roomeq.plan.plan import QCheck, read_plan
from roomeq.report.sheet.comparison import sheet_comparison
from roomeq.report.sheet.evidence import plan_evidence
from roomeq.report.text.plan import evidence_sentences

replace = msgspec.structs.replace


@pytest.fixture(scope="module")
def plan():
    return read_plan(SAVED_PLANS / "format_1.json")


def compared(plans):
    return sheet_comparison(plans, {name: plan_evidence(plan) for name, plan in plans.items()})


def test_rows_hold_what_every_plan_says(plan):
    bands = tuple(replace(band, error_db=1.0 + n) for n, band in enumerate(plan.bands))
    found = compared({"music": plan, "film": replace(plan, bands=bands)})
    assert [row.name.split()[0] for row in found.bands] == [band.label for band in plan.bands]
    assert [row.cells[1].error for row in found.bands] == [f"+{n}.0" for n in range(1, 10)]
    assert [row.cells[0] for row in found.bands] == list(plan_evidence(plan).bands)
    assert found.spread_shared
    assert [row.shared for row in found.bands] == [f"{band.spread_db:.1f}" for band in plan.bands]
    assert [row.name for row in found.seats] == [seat.seat for seat in plan.seats]
    assert found.weights_shared
    assert [row.cells for row in found.seats] == [(s, s) for s in plan_evidence(plan).seats]


def test_what_differs_is_not_called_shared(plan):
    bands = (replace(plan.bands[0], spread_db=9.9), *plan.bands[1:])
    seats = (replace(plan.seats[0], weight=0.9), *plan.seats[1:])
    found = compared({"a": plan, "b": replace(plan, bands=bands, seats=seats)})
    assert not found.spread_shared
    assert not found.weights_shared
    assert found.bands[0].cells[1].spread == "9.9"
    assert found.seats[0].cells[1].weight == "90\N{NO-BREAK SPACE}%"


def test_bands_and_seats_that_one_plan_lacks(plan):
    rows = {
        name: getattr(plan.curves, name)[:-1]
        for name in ("before_level_db", "predicted_level_db", "trust")
    }
    curves = replace(plan.curves, **rows)
    less = replace(plan, bands=plan.bands[1:], seats=plan.seats[:-1], curves=curves)
    found = compared({"less": less, "all": plan})
    assert [row.name.split()[0] for row in found.bands] == [band.label for band in plan.bands]
    assert found.bands[0].cells[0] is None
    assert found.seats[-1].cells[0] is None
    assert found.seats[-1].cells[1].seat == plan.seats[-1].seat


def test_figures_are_those_of_the_sentences(plan):
    # every number of the sentences of one plan, but the count of nodes, is in the rows
    checks = (QCheck(factor=0.7, before_db=5.9, after_db=4.1),)
    plan = replace(plan, evidence=replace(plan.evidence, q_checks=()))
    evidence = replace(plan.evidence, q_checks=checks, filter_boost_db=1.7)
    known = replace(plan, evidence=evidence)
    found = compared({"a": known, "b": plan})
    rows = " ".join(f"{row.name} {row.cells[0]}" for row in found.figures)
    rows = rows.replace("\N{MINUS SIGN}", "-")
    numbers = {
        word.strip(",.;()") for text in evidence_sentences(known) for word in text.split()
    } - {str(evidence.nodes)}
    numbers = {word for word in numbers if word.lstrip("+-")[:1].isdigit()}
    assert len(numbers) > 10
    assert numbers <= {word.strip(",.;()") for word in rows.split()}
    assert found.figures[-1].name == "With 0.7 times the Q"
    assert found.figures[-1].cells[1] is None


def test_bounds_are_rounded_down(plan):
    found = compared({"a": replace(plan, evidence=replace(plan.evidence, lower_bound_db=3.999))})
    assert found.figures[0].cells == ("3.99 dB (proven)",)


def test_remedies_name_bands_and_plans(plan):
    none = [replace(band, reason=None) for band in plan.bands]
    noisy = [*none[:2], *(replace(band, reason=Reason.NOISE) for band in none[2:4]), *none[4:]]
    both = [replace(noisy[0], reason=Reason.CANCELLATION), *noisy[1:]]
    found = compared(
        {"music": replace(plan, bands=tuple(noisy)), "film": replace(plan, bands=tuple(both))}
    ).remedies
    said = [[(entry.text, entry.names) for entry in remedy.bands] for remedy in found]
    assert sorted(said) == [[("20 Hz", "film")], [("31.5 and 40 Hz", "")]]
    words = {remedy.bands[0].text: remedy for remedy in found}
    assert "cancelled" in words["20 Hz"].why
    assert "Measuring again" in words["31.5 and 40 Hz"].would
