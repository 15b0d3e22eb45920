"""What a plan keeps of several subwoofers: pressures come back, the worst seat is the worst."""

import numpy as np
import pytest
from msgspec.structs import replace
from places import SAVED_PLANS

from roomeq.optimiser.bands.fit import NoChange
from roomeq.optimiser.several.task import SeatFigures
from roomeq.plan.plan import read_plan
from roomeq.plan.records import PresentRecord
from roomeq.plan.together import SetTogether, TogetherRecord
from roomeq.report.text.plan import plan_text

OWN = {
    "fed_by": None,
    "delay_ms": 2.0,
    "inverted": True,
    "present_delay_ms": 0.5,
    "present_inverted": False,
    "without_db": None,
    "output_without_db": None,
    "needless": False,
    "level_db": ((80.0, 74.0),),
    "phase_deg": ((90.0, -180.0),),
}


def figures(*by_seat_db):
    return SeatFigures(
        deviation_db=3.0, variation_db=2.0, output_given_up_db=1.0, by_seat_db=by_seat_db
    )


def test_pressures_are_those_of_level_and_phase():
    # 80 dB is 1e4 times the reference, 90 degrees is j
    expected = [[1e4j, -(10.0 ** (74.0 / 20.0))]]
    np.testing.assert_allclose(SetTogether(**OWN).pressures, expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("same", "changes"),
    [
        ({}, True),
        ({"present_delay_ms": 2.0}, True),
        ({"present_inverted": True}, True),
        ({"present_delay_ms": 2.0, "present_inverted": True}, False),
    ],
)
def test_delay_or_polarity_that_differs_is_a_change(same, changes):
    assert SetTogether(**{**OWN, **same}).changes is changes


def test_settings_in_words():
    assert SetTogether(**OWN).setting_rows() == [
        ("Delay", "0.50 ms", "2.00 ms"),
        ("Polarity", "normal", "inverted"),
    ]


def test_the_worst_seat_is_that_of_the_largest_deviation():
    record = TogetherRecord(
        seats=("a", "b", "c"),
        before=figures(3.0, 7.0, 5.0),
        after=figures(4.0, 2.0, 4.5),
        best=figures(1.0, 1.0, 1.0),
        loudness_change_db=0.0,
        points=(20.0, 40.0),
    )
    assert record.before.worst(record.seats) == ("b", 7.0)
    assert record.after.worst(record.seats) == ("c", 4.5)


@pytest.fixture(scope="module")
def plan():
    return read_plan(SAVED_PLANS / "format_2.json")


@pytest.fixture(scope="module")
def several(plan):
    """Two of them, joined with the mains as one."""
    front = replace(plan, joining=None, set_together=SetTogether(**OWN))
    still = SetTogether(**OWN | {"present_delay_ms": 2.0, "present_inverted": True})
    kept = tuple(replace(band, gain_db=band.present_db) for band in plan.bands)
    back = replace(front, bands=kept[:2], set_together=still)
    together = TogetherRecord(
        seats=("a", "b"), before=figures(5.0, 3.0), best=figures(1.0, 1.0),
        after=replace(figures(1.0, 2.0), deviation_db=1.2), loudness_change_db=0.5, points=(20.0,),
    )  # fmt: skip
    level = replace(plan.level, upstream_db=-1.5)
    return replace(
        plan, bands=(), level=level, together=together, subwoofers={"front": front, "back": back}
    )


def test_several_are_told_one_by_one_and_what_is_set_for_all(plan, several):
    assert repr(several) == "<Plan for Ferry office: 2 subwoofers, deviation 3.0 to 1.2 dB>"
    front, back = several.subwoofers.values()
    common = [row for row in plan.joining.setting_rows() if row[0] != "Polarity"]
    common.insert(0, ("Level upstream", "not stated", "-1.5 from now"))
    assert several.setting_rows() == common
    cells = {name: told for name, *told in several.setting_cells()}
    assert cells["Delay"] == ["2.00 ms (0.50 ms)", "2.00 ms"]
    assert cells["Polarity"][0] == "inverted (normal)"
    frame = several.to_frame()
    counts = frame.groupby("subwoofer").size().to_dict()
    assert counts == {"front": 12, "back": 5, "all": len(common)}
    assert frame[frame["subwoofer"] == "all"]["set_to"].tolist() == [row[2] for row in common]
    assert frame["subwoofer"].tolist() == sorted(
        frame["subwoofer"], key=["front", "back", "all"].index
    )
    page = several._repr_html_()
    assert "<th>Setting, gains in dB; in brackets now</th><th>front</th><th>back</th>" in page
    assert "<td>Delay</td><td>2.00 ms (0.50 ms)</td><td>2.00 ms</td>" in page
    label = plan.bands[-1].label
    assert f"<td>{label} Hz</td><td>{cells[f'{label} Hz'][0]}</td><td></td>" in page
    assert "<td>All: Level upstream</td>" + "<td>-1.5 from now</td>" * 2 in page
    for one, read in ((True, False), (False, True)):
        stated = replace(front, present=_present(stated=one))
        shown = replace(several, subwoofers={"front": stated, "back": back})._repr_html_()
        assert ("is not stated: taken for 0 dB" in shown) is read
    bare = replace(several, joining=None, level=replace(several.level, upstream_db=0.0))
    assert bare.setting_rows() == []
    assert set(bare.to_frame()["subwoofer"]) == {"front", "back"}
    quiet = replace(bare, subwoofers={"back": back})
    assert (several.changes, several.joins) == (bare.changes, bare.joins) == (True, True)
    assert (quiet.changes, quiet.joins) == (False, False)
    assert replace(quiet, joining=plan.joining).joins
    stays = replace(quiet, subwoofers={}, together=None, level=replace(quiet.level, change_db=0.0))
    assert repr(stays) == "<Plan for Ferry office: no change>"


@pytest.mark.parametrize("mains", [True, False])
def test_that_nothing_changes_is_said_once(several, mains):
    kept = replace(several, no_change=NoChange.IMPROVEMENT_TOO_SMALL)
    text = " ".join(plan_text(kept if mains else replace(kept, joining=None)).split())
    assert text.count("Keep ") == 1
    assert text.count("as good as" if mains else "As good as") == 1


def _present(*, stated):
    return PresentRecord(
        path=None, mains_path=None, protection=None, protection_known=False, delay_ms=None,
        polarity=None, phase_deg=None, phase_frequency=None, level_trim=False, gains_stated=stated,
    )  # fmt: skip
