"""What is set now, as far as it is stated: every place that tells of a setting tells the same.

A setting that nobody stated is taken for nothing or normal in the figures; no reader may be told
that it was seen so. Truth here are the stated settings themselves, put into a kept plan.
"""

import html
import re

import msgspec
import pytest
from places import SAVED_PLANS

from roomeq.device.crossover import HighPass
from roomeq.jobs.verify import joining_stated_otherwise
from roomeq.jobs.verifying.agreement import planned_db, stated_otherwise
from roomeq.optimiser.drive.protection import ProtectionChange, ProtectionChoice, ProtectionReason
from roomeq.plan.plan import read_plan
from roomeq.plan.records import PresentRecord, is_stated
from roomeq.plan.together import SetTogether
from roomeq.report.sheet.sheet import settings_sheet
from roomeq.report.sheet.steps import band_steps, opening_steps
from roomeq.report.text.plan import plan_text

replace = msgspec.structs.replace
NOW = HighPass(family="butterworth", order=2, corner=20.0)
STATED = PresentRecord(
    path=("low-pass A",), mains_path=None, protection=NOW, protection_known=True, delay_ms=1.25,
    polarity="inverted", phase_deg=30.0, phase_frequency=80.0, level_trim=False, gains_stated=True,
)  # fmt: skip
# of each: what a record without it holds, where it stands on page, sheet and in table, and the
# words for what was stated above
KINDS = {
    "delay": ({"delay_ms": None}, r"Delay: .*? never both", "Delay", "Delay of the subwoofer",
              ("was 0 ms|was 1.25", "1.25 ms later", "+1.25 ms")),
    "polarity": ({"polarity": None}, r"Polarity: .*?\)", "Polarity", "Polarity",
                 ("now inverted", "inverted", "inverted")),
    "phase": ({"phase_deg": None}, r"Phase control: .*?\)", "Phase control", "Phase control",
              ("now 30 degrees", "30°", "30 degrees")),
    "level": ({}, r"Level knob: .*?\(joins", "Level knob", "Level knob",
              ("+2.0 dB, to -3.0 dB", "−5.0 dB", "-5.0")),
    "high-pass": ({"protection_known": False, "protection": None},
                  r"Protective high-pass: .*?What the sum", "Protective high-pass",
                  "Protective high-pass",
                  ("now Butterworth 12 dB/oct at 20 Hz", "at 20 Hz", "at 20 Hz")),
    "bands": ({"gains_stated": False}, r"Settings in dB .*? 25 Hz", "20 Hz", "20",
              ("20 Hz +1.5 -2.0 set", "+1.5 dB", "+1.5")),
}  # fmt: skip


def plan_of(kind, *, stated):
    """Return a plan that moves every setting; of one kind what is set now is stated, or not."""
    plan = read_plan(SAVED_PLANS / "format_2.json")
    known = stated or kind is None
    unsaid = {} if known else KINDS[kind][0]
    now = {"delay_ms": 1.25, "inverted": True, "phase_deg": 30.0, "phase_frequency": 80.0}
    taken_for = {"delay": {"delay_ms": 0.0}, "polarity": {"inverted": False},
                 "phase": {"phase_deg": 0.0}}  # fmt: skip
    now |= {} if known else taken_for.get(kind, {})
    then = now | {"delay_ms": -4.0, "inverted": not now["inverted"], "phase_deg": 45.0}
    joining = replace(plan.joining, present=replace(plan.joining.present, **now), bypass=(),
                      settings=replace(plan.joining.settings, **then))  # fmt: skip
    level = replace(plan.level, change_db=2.0, setting_db=-3.0, upstream_db=0.0)
    if kind == "level" and not known:
        level = replace(level, setting_db=None)
    first = replace(plan.bands[0], present_db=1.5 if known or kind != "bands" else 0.0,
                    gain_db=-2.0)  # fmt: skip
    choice = ProtectionChoice(
        high_pass=HighPass(family="butterworth", order=2, corner=25.0), present=NOW,
        change=ProtectionChange.STRENGTHENED, reason=ProtectionReason.RELIEF_NEEDED,
    )  # fmt: skip
    if kind == "high-pass" and not known:
        why = ProtectionReason.PRESENT_UNKNOWN
        change = ProtectionChange.KEPT
        choice = ProtectionChoice(high_pass=None, present=None, change=change, reason=why)
    return replace(
        plan, present=replace(STATED, **unsaid), joining=joining, level=level, protection=choice,
        bands=(first, *plan.bands[1:]), cautions=(), assumptions=(),
    )  # fmt: skip


def sheet_of(plan, control):
    steps = {name: cells[0] for name, cells in (opening_steps([plan]) | band_steps([plan])).items()}
    cell = steps[control.replace(" ", "\N{NO-BREAK SPACE}") if control == "20 Hz" else control]
    heading = re.search(r"Bands of the equaliser.*?</span></th>", settings_sheet({"a": plan}))[0]
    told = f"{cell.was}; {cell.detail}{heading * (control == '20 Hz')}"
    return told.replace("\N{NO-BREAK SPACE}", " ")


def view_of(plan, name):
    row = re.search(rf"<tr><td>{name}(?: Hz)?</td>(.*?)</tr>", plan._repr_html_())[1]
    return [html.unescape(cell) for cell in re.findall(r"<td>(.*?)</td>", row)]


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_stated_is_told_everywhere(kind):
    plan = plan_of(kind, stated=True)
    _, page, control, name, (terminal, sheet, table) = KINDS[kind]
    said = re.search(page, f"{' '.join(plan_text(plan).split())} Cautions")[0]
    assert any(words in said for words in terminal.split("|"))
    told = sheet_of(plan, control)
    assert sheet in told
    now, then, mark = view_of(plan, name)
    frame = plan.to_frame().set_index("band").loc[name]
    assert (frame["now"], frame["set_to"]) == (now, then)
    assert now.endswith(table) or table in now
    assert mark == "set"
    for place in (said, told, now, then):
        assert "not stated" not in place


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_not_stated_is_called_so_everywhere(kind):
    plan = plan_of(kind, stated=False)
    _, page, control, name, words = KINDS[kind]
    said = re.search(page, f"{' '.join(plan_text(plan).split())} Cautions")[0]
    told = sheet_of(plan, control)
    now, then, mark = view_of(plan, name)
    frame = plan.to_frame().set_index("band").loc[name]
    assert (frame["now"], frame["set_to"]) == (now, then)
    for place in (said, told, now):
        assert "not stated" in place, place
        assert not any(was in place for was in ("was 0", "now normal", "now 0", *words))
    assert mark == ("" if kind == "high-pass" else "set")
    figures = {"delay": "-4.00 ms from now", "polarity": "the other one", "level": "+2.0 from now"}
    assert then.startswith(figures.get(kind, then))
    if kind == "bands":
        assert "Band Set to Error" in said
        assert told.startswith("; Bands")  # no figure that it was
        assert plan.to_frame()["present_db"].isna().all()  # what is not known is missing, never 0


@pytest.mark.parametrize("kind", ["delay", "polarity", "phase"])
def test_what_stays_and_was_not_stated_is_left_as_it_is(kind):
    moved = plan_of(kind, stated=False)
    plan = replace(moved, joining=replace(moved.joining, settings=moved.joining.present))
    _, _, control, name, _ = KINDS[kind]
    text = " ".join(plan_text(plan).split())
    leave, not_stated = ("leave the delay ", "(") if kind == "delay" else ("", "(now ")
    assert f"{control}: {leave}as it is {not_stated}not stated)" in text
    assert view_of(plan, name) == ["not stated", "as it is", ""]
    assert sheet_of(plan, control) == "; what was set is not stated"
    assert name not in [row[0] for row in plan.moved_rows()]


def test_nothing_is_a_figure_too():
    present = replace(STATED, delay_ms=0.0, phase_deg=0.0)
    for name in ("delay_ms", "phase_deg"):
        assert is_stated(present, name)
    assert not is_stated(replace(present, gains_stated=False), "gains_stated")
    assert is_stated(None, "delay_ms")  # plans of earlier releases do not tell


@pytest.mark.parametrize("stated", [True, False])
def test_a_low_pass_is_named_on_the_sheet_where_it_is_stated(stated):
    plan = plan_of(None, stated=True)
    target = replace(plan.target, path=("low-pass A",) if stated else ())
    present = replace(STATED, path=("low-pass A",) if stated else None)
    told = replace(plan, target=target, present=present)
    cell = next(iter(opening_steps([told]).values()))[0]
    assert (cell.value, cell.detail) == (
        ("A", "as measured") if stated else ("Leave as it is", "what was set is not stated")
    )
    assert "Leave as is: low-pass" in plan_text(told)


@pytest.mark.parametrize(
    ("kind", "other"),
    [("delay", {"delay_ms": 2.0}), ("polarity", {"polarity": "inverted"}),
     ("phase", {"phase_deg": 60.0})],
)  # fmt: skip
def test_a_change_is_not_held_against_a_setting_that_is_stated_later(kind, other):
    for stated in (True, False):
        plan = plan_of(kind, stated=stated)
        if kind == "polarity":  # what is planned is the other one of either
            other = {"polarity": "inverted" if not plan.joining.settings.inverted else "normal"}
        found = [*joining_stated_otherwise(plan.joining, other, before=plan.present)]
        # the phase control has figures of its own: it is set to one, whatever it was
        assert bool(found) is (stated or kind == "phase")
    kept = replace(plan.joining, settings=plan.joining.present)
    assert not [*joining_stated_otherwise(kept, other, before=plan.present)]


def test_a_level_is_compared_where_it_is_a_setting():
    for stated in (True, False):
        planned = planned_db(plan_of("level", stated=stated))
        found = stated_otherwise({"level": planned["level"]}, {"level": -9.0})
        assert bool(found) is stated


@pytest.mark.parametrize("stated", [True, False])
def test_the_last_lines_name_only_what_changes(stated):
    plan = plan_of(None, stated=True)
    if not stated:
        unsaid = {"polarity": None, "phase_deg": None}
        plan = replace(plan, present=replace(STATED, **unsaid))
    stays = {"inverted": plan.joining.present.inverted, "phase_deg": 30.0}
    still = replace(plan.joining, settings=replace(plan.joining.settings, **stays))
    for joining, named in ((plan.joining, True), (still, False)):
        moved = replace(plan, joining=joining)
        last = plan_text(moved).partition("To set, in dB")[2]
        for control in ("Polarity", "Phase control"):
            assert control in plan_text(moved)
            assert (control in last) is named
        assert "EITHER delay the mains" in " ".join(last.split())


@pytest.mark.parametrize("stated", [True, False])
def test_delay_and_polarity_of_one_of_several_are_changes_where_nothing_is_stated(stated):
    own = SetTogether(
        fed_by=None, delay_ms=2.0, inverted=True, present_delay_ms=0.0, present_inverted=False,
        without_db=None, output_without_db=None, needless=False, level_db=(), phase_deg=(),
    )  # fmt: skip
    unsaid = {} if stated else {"delay_ms": None, "polarity": None}
    plan = plan_of(None, stated=True)
    plan = replace(plan, joining=None, set_together=own, present=replace(STATED, **unsaid))
    rows = {name: (now, then) for name, now, then in plan.moved_rows()}
    told = {control: cells[0] for control, cells in opening_steps([plan]).items()}
    if stated:
        assert rows["Delay"] == ("0.00 ms", "2.00 ms")
        assert rows["Polarity"] == ("normal", "inverted")
    else:
        assert rows["Delay"] == ("not stated", "+2.00 ms from now")
        assert rows["Polarity"] == ("not stated", "the other one")
    for control in ("Delay", "Polarity"):
        now, then = rows[control]
        cell = told[control]
        assert (cell.was, cell.value.lower(), cell.change) == (now, then, not stated)
