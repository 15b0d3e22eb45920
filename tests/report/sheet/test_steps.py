"""Page 1 of the settings sheet: steps, cells, numbers."""

import msgspec
import pytest
from joining_rooms import CORNER, delayed, linkwitz_riley, survey_of
from places import SAVED_PLANS

from roomeq.device.high_pass import HighPass
from roomeq.device.processor import DelayRange, JoiningSettings
from roomeq.optimiser.bands.reasons import Reason
from roomeq.optimiser.drive.protection import ProtectionChange, ProtectionChoice, ProtectionReason
from roomeq.optimiser.joining.alignment import align
from roomeq.optimiser.joining.survey import prepare_joining
from roomeq.plan.joining import JoiningRecord, JoiningSettingRecord
from roomeq.plan.plan import read_plan
from roomeq.report.sheet.steps import (
    band_steps,
    closing_steps,
    decibels,
    leave_alone,
    opening_steps,
    seats_to_measure_again,
    with_minus,
)

replace = msgspec.structs.replace


@pytest.fixture(scope="module")
def plan():
    return read_plan(SAVED_PLANS / "format_1.json")


@pytest.mark.parametrize(
    ("value", "step_db", "text"),
    [
        (-3.0, 0.5, "−3.0 dB"),
        (0.0, 0.5, "0.0 dB"),
        (0.25, 0.25, "+0.25 dB"),
        (2.0, 0.25, "+2.00 dB"),  # as many decimals as the other settings of the device
        (-0.125, 0.125, "−0.125 dB"),
        (0.1 + 0.2, 0.1, "+0.3 dB"),
    ],
)
def test_decibels_show_every_digit_of_the_step(value, step_db, text):
    assert decibels(value, step_db=step_db).replace("\N{NO-BREAK SPACE}", " ") == text


def test_minus_signs_only_before_figures():
    assert (
        with_minus("set -3.5 dB, half-decibel, 20-80 Hz") == "set −3.5 dB, half-decibel, 20-80 Hz"
    )


def test_high_pass_is_what_the_plan_says(plan):
    def cell(**protection):
        return opening_steps([replace(plan, **protection)])[1].cells[0]

    low = HighPass(family="butterworth", order=2, corner=16.0)
    high = HighPass(family="linkwitz_riley", order=4, corner=25.0)
    setting = ProtectionChoice(
        high_pass=high,
        present=low,
        change=ProtectionChange.STRENGTHENED,
        reason=ProtectionReason.RELIEF_NEEDED,
        band="20",
        value_db=2.0,
        unrelieved=None,
        unrelieved_db=None,
        candidates=(),
    )
    assert cell(protection=None).action == "leave"
    strong = cell(protection=setting)
    assert (strong.action, strong.value) == ("set", "25 Hz, Linkwitz-Riley 24 dB/oct")
    assert strong.was == "16 Hz, Butterworth 12 dB/oct"
    off = cell(protection=replace(setting, high_pass=None, change=ProtectionChange.SWITCHED_OFF))
    assert (off.action, off.value) == ("set", "Off")
    kept = replace(setting, high_pass=low, change=ProtectionChange.KEPT)
    told = cell(protection=replace(kept, reason=ProtectionReason.NO_EVIDENCE))
    assert (told.action, told.value, told.was) == ("keep", "16 Hz, Butterworth 12 dB/oct", "")
    unknown = replace(kept, high_pass=None, reason=ProtectionReason.PRESENT_UNKNOWN)
    assert cell(protection=unknown).action == "leave"  # never "off"


def level_cell(plan, **level):
    return opening_steps([replace(plan, level=replace(plan.level, **level))])[5].cells[0]


def test_level_is_what_the_plan_knows(plan):
    known = level_cell(plan, setting_db=-4.0, change_db=2.0)
    assert (known.action, known.value[:4], known.was[:4]) == ("set", "−4.0", "−6.0")
    same = level_cell(plan, setting_db=-4.0, change_db=0.0)
    assert (same.action, same.was) == ("keep", "")
    unknown = level_cell(plan, setting_db=None, change_db=-1.5)
    assert unknown.value.replace("\N{NO-BREAK SPACE}", " ") == "Down by 1.5 dB"
    none = level_cell(plan, setting_db=None, change_db=0.0, upstream_db=2.0)
    assert (none.action, none.value) == ("leave", "Leave as it is")


def test_upstream_level_is_set_before_the_trim_runs(plan):
    outside = replace(plan, level=replace(plan.level, upstream_db=-1.234))
    cell = closing_steps([outside])[0].cells[0]
    assert cell.value.replace("\N{NO-BREAK SPACE}", " ") == "Set −1.2 dB, then run it again"


def test_equal_cells_become_one_and_different_ones_do_not(plan):
    other = replace(plan, target=replace(plan.target, path=("low-pass of another kind",)))
    low_pass, high_pass = opening_steps([plan, other])[:2]
    assert [cell.span for cell in low_pass.cells] == [1, 1]
    assert [cell.span for cell in high_pass.cells] == [2]
    assert all(len(step.cells) == 2 for step in band_steps([plan, plan]))


def test_faders_lie_on_the_device_range(plan):
    band = replace(plan.bands[0], present_db=-6.0, gain_db=6.0)
    device = replace(plan.device, lowest_db=-12.0, highest_db=6.0)
    fader = band_steps([replace(plan, bands=(band,), device=device)])[0].cells[0].fader
    assert (fader.zero, fader.present, fader.gain) == (66.67, 33.33, 100.0)


def test_two_seats_are_measured_again(plan):
    seats = [replace(plan.seats[0], seat=name) for name in "abc"]
    seats[0] = replace(seats[0], weight=0.2, before_db=5.0, after_db=4.0)
    seats[1] = replace(seats[1], weight=0.5, before_db=9.0, after_db=1.0)
    seats[2] = replace(seats[2], weight=0.3, before_db=5.0, after_db=7.0)  # changes, though worse
    assert seats_to_measure_again(replace(plan, seats=tuple(seats))) == ("b", "c")
    assert seats_to_measure_again(replace(plan, seats=(seats[0],))) == ("a",)


def test_what_must_not_be_touched_names_bands_by_reason(plan):
    reasons = {
        Reason.CANCELLATION: "more boost would not fill",
        Reason.BELOW_LIMIT: "no boost below",
        Reason.ABOVE_CROSSOVER: "above the crossover",
        Reason.NEAR_CROSSOVER: "too near the crossover",
        Reason.LOCKED: "locked",
    }
    for reason, words in reasons.items():
        bands = [replace(band, reason=None) for band in plan.bands]
        bands[3] = replace(bands[3], reason=reason)
        entries = leave_alone({"a": replace(plan, bands=tuple(bands))})
        said = [entry for entry in entries if entry.startswith(f"{bands[3].label} Hz")]
        assert len(said) == 1
        assert words in said[0]
    pathless = replace(plan, target=replace(plan.target, path=()))
    assert leave_alone({"a": pathless})[0].startswith("Every filter")


def test_a_lower_limit_that_is_not_known_is_not_told_as_a_fact(plan):
    low = replace(plan.bands[0], reason=Reason.BELOW_LIMIT)
    unknown = replace(plan, bands=(low, *plan.bands[1:]))
    assert unknown.target.lower_limit is None
    known = replace(unknown, target=replace(plan.target, lower_limit=25.0))
    floor = f"{plan.evidence.no_boost_below:.0f} Hz"
    fact = f"{low.label} Hz: no boost below what the subwoofer can do."
    doubt = (
        f"{low.label} Hz: no boost below {floor}, since the subwoofer's lower limit is not known."
    )
    said = leave_alone({"a": known})
    assert fact in said
    assert doubt not in said
    said = leave_alone({"a": unknown})
    assert doubt in said
    assert fact not in said
    assert {fact, doubt} <= set(leave_alone({"a": known, "b": unknown}))


@pytest.fixture(scope="module")
def joining() -> JoiningRecord:
    sub, mains = delayed(linkwitz_riley("low", 4), 0.004), linkwitz_riley("high", 4)
    data = prepare_joining(survey_of(sub, mains), corner=CORNER)
    coarse = DelayRange(lowest=-0.005, highest=0.005, step=0.001)
    return JoiningRecord.of(align(data, delays=coarse), measured=data)


def cells(plan, joining, *, settings, present=None, **record):
    """Return low-pass, delay, polarity and phase of a plan with these settings."""
    stated = {"settings": settings, "present": present or JoiningSettings()}
    stated = {name: JoiningSettingRecord.of(one) for name, one in stated.items()}
    steps = opening_steps([replace(plan, joining=replace(joining, **stated, **record))])
    return [steps[index].cells[0] for index in (0, 2, 3, 4)]


def test_delay_says_who_is_delayed_from_what(plan, joining):
    # 343.2 m/s; 0.3048 m to the foot
    now = JoiningSettings(delay=0.001)
    for delay, far, branch in ((-0.004, "1.72 m farther", "mains"),
                               (0.004, "1.03 m nearer", "subwoofer")):  # fmt: skip
        cell = cells(plan, joining, settings=JoiningSettings(delay=delay), present=now)[1]
        assert cell.action == "set"
        assert cell.value == f"Delay the {branch} by 4.00 ms"
        assert cell.was == "1.00 ms later (0.34 m, 1.1 ft)"
        assert cell.detail.endswith(f"or enter the subwoofer {far}; never both")
        assert ("subwoofer by 0 (was 1.00)" in cell.detail) is (branch == "mains")
    rest = cells(plan, joining, settings=JoiningSettings(), present=now)[1]
    assert (rest.action, rest.value) == ("set", "0 ms")
    assert "0.34 m farther" in rest.detail
    kept = cells(plan, joining, settings=now, present=now)[1]
    assert (kept.action, kept.value, kept.was) == ("keep", "1.00 ms later (0.34 m, 1.1 ft)", "")


def test_polarity_is_set_only_where_it_changes(plan, joining):
    inverted, normal = JoiningSettings(inverted=True), JoiningSettings()
    changed = cells(plan, joining, settings=inverted, present=normal)[2]
    assert (changed.action, changed.value, changed.was) == ("set", "Inverted", "normal")
    assert "microphone at each cone" in changed.detail
    kept = cells(plan, joining, settings=inverted, present=inverted)[2]
    assert (kept.action, kept.value, kept.was) == ("keep", "Inverted", "")


def test_phase_is_that_of_the_control_or_not_part_of_the_plan(plan, joining):
    def turned(phase_deg):
        return JoiningSettings(phase_deg=phase_deg, phase_frequency=80.0)

    changed = cells(plan, joining, settings=turned(45.0), present=turned(30.0))[3]
    value = changed.value.replace("\N{NO-BREAK SPACE}", " ")
    assert (changed.action, value, changed.was) == ("set", "45° at 80 Hz", "30°")
    assert cells(plan, joining, settings=turned(30.0), present=turned(30.0))[3].action == "keep"
    assert cells(plan, joining, settings=JoiningSettings())[3].detail == "not part of this plan"


def test_low_pass_is_bypassed_or_stays(plan, joining):
    pathed = replace(plan, target=replace(plan.target, path=("high-pass A", "low-pass B")))
    bypass = cells(pathed, joining, settings=JoiningSettings(), bypass=("low-pass C",))[0]
    assert (bypass.action, bypass.value) == ("set", "Bypass")
    assert bypass.detail == "low-pass C; keep low-pass B"
    kept = cells(pathed, joining, settings=JoiningSettings(), bypass=())[0]
    assert (kept.action, kept.value, kept.detail) == ("keep", "As while measuring", "low-pass B")
    joined_plan = replace(pathed, joining=replace(joining, bypass=("low-pass C",)))
    alone = leave_alone({"a": joined_plan})
    assert alone[0].startswith("Left in the path: high-pass A; low-pass B. ")
    assert not [entry for entry in alone if "elay, polarity" in entry]
    assert [entry for entry in leave_alone({"a": pathed}) if "elay, polarity" in entry]


def test_what_stays_in_the_path_is_said_of_each_plan(plan, joining):
    """Two plans of one room: the one that joins switches off what the other leaves engaged."""
    alone = replace(plan, target=replace(plan.target, path=("low-pass B", "low-pass C")))
    joins = replace(
        alone,
        target=replace(plan.target, path=("low-pass B",)),
        joining=replace(joining, bypass=("low-pass C",)),
    )
    entries = leave_alone({"music": joins, "film": alone})
    assert entries[:2] == (
        "Left in the path (music): low-pass B. The settings were computed for it.",
        "In the path while measuring (film): low-pass B; low-pass C. "
        "The settings were computed for it.",
    )
    same = leave_alone({"music": alone, "film": alone})
    assert same[0].startswith("In the path while measuring: low-pass B; low-pass C. ")
    assert "low-pass" not in same[1]
    cells = opening_steps([joins, alone])[0].cells  # "as it is" would be bypassed by then
    assert [(cell.action, cell.value) for cell in cells] == [
        ("set", "Bypass"),
        ("keep", "As while measuring"),
    ]
    assert cells[1].detail == "low-pass B and low-pass C"
    assert opening_steps([alone, alone])[0].cells[0].value == "Leave as it is"


def test_a_plan_that_only_joins_is_measured_again(plan, joining):
    still = tuple(replace(band, gain_db=band.present_db) for band in plan.bands)
    level = replace(plan.level, change_db=0.0, upstream_db=0.0)
    idle = replace(plan, bands=still, level=level)
    assert [step.cells[0].action for step in closing_steps([idle])] == ["leave", "leave"]
    joins = replace(idle, joining=joining)
    assert joins.joins
    assert [step.cells[0].action for step in closing_steps([joins])] == ["do", "do"]
