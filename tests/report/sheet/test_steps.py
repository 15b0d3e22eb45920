"""Page 1 of the settings sheet: steps, cells, numbers."""

import msgspec
import pytest
from joining_rooms import CORNER, delayed, linkwitz_riley, survey_of
from places import SAVED_PLANS

from roomeq.base.cautions import Caution, CautionCode
from roomeq.device.crossover import HighPass
from roomeq.device.processor import DelayRange, JoiningSettings
from roomeq.optimiser.bands.reasons import Reason
from roomeq.optimiser.drive.protection import ProtectionChange, ProtectionChoice, ProtectionReason
from roomeq.optimiser.joining.alignment import align
from roomeq.optimiser.joining.survey import prepare_joining
from roomeq.plan.joining import JoiningRecord, JoiningSettingRecord
from roomeq.plan.plan import read_plan
from roomeq.plan.recordings import RecordingRow
from roomeq.plan.records import PresentRecord
from roomeq.plan.together import SetTogether
from roomeq.report.sheet.evidence import record
from roomeq.report.sheet.sheet import settings_sheet
from roomeq.report.sheet.steps import (
    band_steps,
    decibels,
    leave_alone,
    measure_step,
    only_changes,
    opening_steps,
    seats_to_measure_again,
    with_minus,
)
from roomeq.report.text.layout import text_of
from roomeq.report.text.plan import to_set

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
        return opening_steps([replace(plan, **protection)])["Protective high-pass"][0]

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
    assert (strong.action, strong.value) == ("set", "Linkwitz-Riley 24 dB/oct at 25 Hz")
    assert strong.was == "Butterworth 12 dB/oct at 16 Hz"
    off = cell(protection=replace(setting, high_pass=None, change=ProtectionChange.SWITCHED_OFF))
    assert (off.action, off.value) == ("set", "Off")
    kept = replace(setting, high_pass=low, change=ProtectionChange.KEPT)
    told = cell(protection=replace(kept, reason=ProtectionReason.NO_EVIDENCE))
    assert (told.action, told.value, told.was) == ("keep", "Butterworth 12 dB/oct at 16 Hz", "")
    unknown = replace(kept, high_pass=None, reason=ProtectionReason.PRESENT_UNKNOWN)
    assert cell(protection=unknown).action == "leave"  # never "off"


def level_cell(plan, **level):
    return opening_steps([replace(plan, level=replace(plan.level, **level))])["Level knob"][0]


def test_level_is_what_the_plan_knows(plan):
    known = level_cell(plan, setting_db=-4.0, change_db=2.0)
    assert (known.action, known.value[:4], known.was[:4]) == ("set", "−4.0", "−6.0")
    same = level_cell(plan, setting_db=-4.0, change_db=0.0)
    assert (same.action, same.was) == ("keep", "")
    unknown = level_cell(plan, setting_db=None, change_db=-1.5)
    assert unknown.value.replace("\N{NO-BREAK SPACE}", " ") == "Down by 1.5 dB"
    none = level_cell(plan, setting_db=None, change_db=0.0, upstream_db=2.0)
    assert (none.action, none.value) == ("leave", "Leave as it is")


def test_what_the_knob_does_not_reach_is_a_step_of_its_own(plan):
    outside = replace(plan, level=replace(plan.level, upstream_db=-1.234))
    steps = opening_steps([outside, plan])
    assert [*steps][-2:] == ["Level knob", "Level upstream"]
    first, second = steps["Level upstream"]
    assert first.value.replace("\N{NO-BREAK SPACE}", " ") == "Down by 1.2 dB"
    assert second.action == "leave"
    assert only_changes(steps) == str(len(steps))
    assert "Level upstream" not in opening_steps([plan])


def test_a_change_is_called_so_where_what_is_set_is_not_known(plan):
    """Two kinds of numbers on one sheet: a setting, and a change that a reader sets as one."""
    level = replace(plan.level, setting_db=None, change_db=5.0)
    steps = opening_steps([replace(plan, level=level)])
    assert only_changes(steps) == "6"
    assert steps["Level knob"][0].was == "not stated"
    assert only_changes(opening_steps([plan])) == ""


def test_what_was_not_stated_is_no_figure_on_the_sheet(plan):
    """ "was 0.0 dB" of bands that nobody looked at."""
    present = PresentRecord(
        path=None,
        mains_path=None,
        protection=None,
        protection_known=False,
        delay_ms=None,
        polarity=None,
        phase_deg=None,
        phase_frequency=None,
        level_trim=False,
    )
    moved = [b.label for b in plan.bands if b.gain_db != b.present_db]
    told, untold = (
        replace(plan, present=replace(present, gains_stated=stated)) for stated in (True, False)
    )
    bands = band_steps([told])
    assert all(bands[f"{label}\N{NO-BREAK SPACE}Hz"][0].was for label in moved)
    assert not any(cell.was for (cell,) in band_steps([untold]).values())
    said = "what was set is not stated: taken for 0 dB"
    assert said in settings_sheet({"a": untold})
    assert said in untold._repr_html_().replace("what the bands were", "what was set")
    assert said not in settings_sheet({"a": told})


def test_the_view_of_notebooks_has_the_decimals_of_the_level(plan):
    level = replace(plan.level, setting_db=-2.25, change_db=0.25)
    page = replace(plan, level=level)._repr_html_()
    assert "<td>-2.25</td>" in page
    unknown = replace(plan, level=replace(level, setting_db=None))._repr_html_()
    assert "<td>+0.25 from now</td>" in unknown


def test_equal_cells_become_one_and_different_ones_do_not(plan):
    other = replace(plan, target=replace(plan.target, path=("low-pass of another kind",)))
    low_pass, high_pass = [*opening_steps([plan, other]).values()][:2]
    assert (len(low_pass), len(high_pass)) == (2, 1)
    assert all(len(cells) == 2 for cells in band_steps([plan, plan]).values())
    page = settings_sheet({"a": plan, "b": other}, mixed=True)
    assert page.count('<td class="cell leave" colspan="2">') >= 1


TURNED = SetTogether(
    fed_by=None, delay_ms=0.0, inverted=True, present_delay_ms=0.0, present_inverted=False,
    without_db=None, output_without_db=None, needless=False, level_db=(), phase_deg=(),
)  # fmt: skip


def test_one_in_series_has_boxes_for_its_polarity_alone(plan):
    """Its delay, level and bands are set once, on the device that feeds it."""
    first = replace(plan, set_together=TURNED)
    fed = replace(plan, set_together=replace(TURNED, fed_by="bow"))
    steps = {name: cells[-1] for name, cells in opening_steps([first, fed]).items()}
    assert (steps["Polarity"].action, steps["Polarity"].value) == ("set", "Inverted")
    bands = band_steps([first, fed]).values()
    for cell in (steps["Delay"], steps["Level knob"], *(cells[1] for cells in bands)):
        assert (cell.action, cell.value) == ("leave", "by bow, which feeds it")
    assert {cells[0].action for cells in bands} == {"set", "keep"}
    page = text_of(to_set(replace(plan, subwoofers={"bow": first, "port": fed})))
    assert "  - port: Polarity inverted, else by bow, which feeds it." in page


def test_what_played_was_each_of_several(plan):
    several = replace(plan, subwoofers={"bow": plan, "port": plan})
    one, each = (record({"a": of})[-1] for of in (plan, several))
    assert "the subwoofer" in one
    assert each == one.replace("the subwoofer", "each subwoofer")


def test_what_is_to_be_set_on_each_of_several_has_a_box_for_each(plan):
    """One box for two subwoofers that are both turned would read as if one were."""
    both = [replace(plan, set_together=TURNED)] * 2
    steps = opening_steps(both)
    assert [cell.value for cell in steps["Polarity"]] == ["Inverted"] * 2
    assert len(steps["Delay"]) == 1  # stays as it is


def test_faders_lie_on_the_device_range(plan):
    band = replace(plan.bands[0], present_db=-6.0, gain_db=6.0)
    device = replace(plan.device, lowest_db=-12.0, highest_db=6.0)
    ((cell,),) = band_steps([replace(plan, bands=(band,), device=device)]).values()
    assert cell.fader == (66.67, 33.33, 100.0)  # 0 dB, now, proposed


def test_a_ring_is_spoken_of_only_where_one_is_drawn(plan):
    present = replace(UNSAID, gains_stated=False)
    for stated, rings in ((None, True), (present, False)):
        page = settings_sheet({"a": replace(plan, present=stated)})
        assert ('<circle class="present"' in page) is ("ring: what it was" in page) is rings


def test_two_seats_are_measured_again(plan):
    seats = [replace(plan.seats[0], seat=name) for name in "abc"]
    seats[0] = replace(seats[0], weight=0.2, before_db=5.0, after_db=4.0)
    seats[1] = replace(seats[1], weight=0.5, before_db=9.0, after_db=1.0)
    seats[2] = replace(seats[2], weight=0.3, before_db=5.0, after_db=7.0)  # changes, though worse
    assert seats_to_measure_again(replace(plan, seats=tuple(seats))) == ("b", "c")
    assert seats_to_measure_again(replace(plan, seats=(seats[0],))) == ("a",)


def test_a_spoilt_seat_is_measured_again(plan):
    """As the caution on its recording asks for."""
    seats = seats_to_measure_again(plan)
    spoilt = next(seat.seat for seat in plan.seats if seat.seat not in seats)
    row = RecordingRow(
        seat=spoilt,
        source="sub",
        file="a.flac",
        channel=1,
        sample_rate=48000,
        duration=9.0,
        peak_dbfs=-6.0,
        judged=True,
        bands=(),
        snr_db=(),
        drift_ppm=None,
        drift_basis=None,
        drift_mended_by=None,
        counts=0.5,
        left_out=False,
        findings=(),
    )
    doubtful = replace(plan, recordings=(row, replace(row, seat=seats[0], counts=1.0)))
    assert seats_to_measure_again(doubtful) == (spoilt, *seats)
    repeated = replace(doubtful, recordings=(*doubtful.recordings, replace(row, counts=1.0)))
    assert seats_to_measure_again(repeated) == seats  # another recording of it is sound
    cell = measure_step([doubtful])["Measure again"][0]
    assert spoilt in cell.value
    assert f"{spoilt}: spoilt when recorded" in cell.detail
    still = tuple(replace(band, gain_db=band.present_db) for band in plan.bands)
    level = replace(plan.level, change_db=0.0, upstream_db=0.0)
    idle = replace(doubtful, bands=still, level=level)
    assert measure_step([idle])["Measure again"][0].action == "do"


def test_bands_that_are_set_are_not_to_be_left_alone(plan):
    """One plan's reason is none of another's, and a band that is set above is not forbidden."""
    bands = [replace(band, reason=None) for band in plan.bands]
    dip = [replace(bands[3], reason=Reason.CANCELLATION, gain_db=bands[3].present_db - 1.5)]
    low = [replace(bands[0], reason=Reason.BELOW_LIMIT)]
    first = replace(plan, bands=(*bands[:3], *dip, *bands[4:]))
    second = replace(plan, bands=(*low, *bands[1:]))
    named = [text for text in leave_alone({"a": first, "b": second}) if " Hz" in text]
    where = f"{bands[3].label} Hz (a); {bands[0].label} Hz (b)"
    assert named == [
        f"More boost than is shown at {where}: it costs headroom, and little may come of it."
    ]
    above = [replace(bands[8], reason=Reason.ABOVE_CROSSOVER)]
    kept = replace(plan, bands=(*bands[:8], *above))
    assert not [text for text in leave_alone({"a": kept}) if " Hz" in text]


PRESENT = PresentRecord(
    path=("low-pass B", "high-pass A"),
    mains_path=("high-pass M",),
    protection=HighPass(family="butterworth", order=2, corner=16.0),
    protection_known=True,
    delay_ms=3.0,
    polarity="inverted",
    phase_deg=45.0,
    phase_frequency=80.0,
    level_trim=False,
)


def test_everything_can_be_set_again_after_a_reset(plan):
    """What was set while measuring and is no part of the plan stands in its step."""
    target = replace(plan.target, path=PRESENT.path)
    steps = opening_steps([replace(plan, target=target, present=PRESENT)])
    said = {name: cells[0] for name, cells in steps.items()}
    known = {name: cell.value.replace("\N{NO-BREAK SPACE}", " ") for name, cell in said.items()}
    del known["Level knob"]
    assert known == {
        "Low-pass and its bypass": "B",
        "Filters of the mains": "High-pass M",
        "Protective high-pass": "Butterworth 12 dB/oct at 16 Hz",
        "Delay": "Subwoofer 3.00 ms later (1.03 m, 3.4 ft)",
        "Polarity": "Inverted",
        "Phase control": "45\N{DEGREE SIGN} at 80 Hz",
    }
    assert {(said[name].action, said[name].detail) for name in known} == {("keep", "as measured")}
    off = replace(PRESENT, path=(), protection=None, delay_ms=0.0)
    steps = opening_steps([replace(plan, target=replace(target, path=()), present=off)])
    names = ("Low-pass and its bypass", "Protective high-pass", "Delay")
    assert [steps[name][0].value for name in names] == ["None", "Off", "0 ms"]


UNSAID = replace(
    PRESENT,
    path=None,
    mains_path=None,
    protection=None,
    protection_known=False,
    delay_ms=None,
    polarity=None,
    phase_deg=None,
)


def test_what_is_not_stated_is_left_and_said_so(plan):
    unsaid = replace(plan, target=replace(plan.target, path=()), present=UNSAID)
    for stated in (unsaid, replace(unsaid, present=None)):
        cells = [cells[0] for cells in opening_steps([stated]).values()][:5]
        assert {(cell.action, cell.value) for cell in cells} == {("leave", "Leave as it is")}
        assert {cell.detail for cell in cells} == {"what was set is not stated"}


def trims(plan):
    return [text for text in leave_alone({"a": plan}) if "trim" in text]


def test_the_level_trim_never_undoes_the_level_that_was_set(plan, joining):
    """Only where the room file says that there is one; not before it was measured again."""
    trimmed = replace(plan, present=replace(PRESENT, level_trim=True))
    assert not trims(replace(plan, present=PRESENT))
    assert not trims(plan)
    (text,) = trims(trimmed)
    assert "not before the seats above have been measured again" in text
    wanted = replace(trimmed, target=replace(plan.target, level_db=85.0))
    cut = replace(trimmed, cautions=(Caution(code=CautionCode.LOUDNESS_CUT, value=2.0),))
    for sets in (wanted, cut, replace(trimmed, joining=joining)):
        (text,) = trims(sets)
        assert "undoes the level above" in text
    assert not any("trim" in control.lower() for control in opening_steps([trimmed]))


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
    names = ("Low-pass and its bypass", "Delay", "Polarity", "Phase control")
    return [steps[name][0] for name in names]


def test_delay_says_who_is_delayed_from_what(plan, joining):
    # 343.2 m/s; 0.3048 m to the foot
    now = JoiningSettings(delay=0.001)
    for delay, far, branch in ((-0.004, "1.72 m (5.6 ft) farther", "mains"),
                               (0.004, "1.03 m (3.4 ft) nearer", "subwoofer")):  # fmt: skip
        cell = cells(plan, joining, settings=JoiningSettings(delay=delay), present=now)[1]
        assert cell.action == "set"
        assert cell.value == f"Delay the {branch} by 4.00 ms"
        assert cell.was == "1.00 ms later (0.34 m, 1.1 ft)"
        choice = f"EITHER this OR, where distances are entered, the subwoofer {far}; never both"
        assert cell.detail.endswith(choice)
        assert ("subwoofer by 0 (was 1.00)" in cell.detail) is (branch == "mains")
    rest = cells(plan, joining, settings=JoiningSettings(), present=now)[1]
    assert (rest.action, rest.value) == ("set", "0 ms")
    assert "0.34 m (1.1 ft) farther" in rest.detail
    kept = cells(plan, joining, settings=now, present=now)[1]
    assert (kept.action, kept.was) == ("keep", "")
    assert kept.value == "Subwoofer 1.00 ms later (0.34 m, 1.1 ft)"
    unsaid = replace(plan, present=UNSAID)
    more = cells(unsaid, joining, settings=JoiningSettings(delay=-0.004))[1]
    assert (more.value, more.was) == ("Delay the mains by 4.00 ms more than now", "not stated")
    assert more.change
    assert cells(unsaid, joining, settings=JoiningSettings())[1].action == "leave"


def test_polarity_is_set_only_where_it_changes(plan, joining):
    inverted, normal = JoiningSettings(inverted=True), JoiningSettings()
    changed = cells(plan, joining, settings=inverted, present=normal)[2]
    assert (changed.action, changed.value, changed.was) == ("set", "Inverted", "normal")
    assert "microphone at each cone" in changed.detail
    kept = cells(plan, joining, settings=inverted, present=inverted)[2]
    assert (kept.action, kept.value, kept.was) == ("keep", "Inverted", "")
    unsaid = replace(plan, present=UNSAID)
    other = cells(unsaid, joining, settings=inverted, present=normal)[2]
    assert (other.action, other.value, other.was) == ("set", "The other one", "not stated")
    assert other.change
    assert cells(unsaid, joining, settings=normal, present=normal)[2].action == "leave"


def test_phase_is_that_of_the_control_or_left(plan, joining):
    def turned(phase_deg):
        return JoiningSettings(phase_deg=phase_deg, phase_frequency=80.0)

    changed = cells(plan, joining, settings=turned(45.0), present=turned(30.0))[3]
    value, was = (x.replace("\N{NO-BREAK SPACE}", " ") for x in (changed.value, changed.was))
    assert (changed.action, value, was) == ("set", "45° at 80 Hz", "30° at 80 Hz")
    assert cells(plan, joining, settings=turned(30.0), present=turned(30.0))[3].action == "keep"
    assert cells(plan, joining, settings=JoiningSettings())[3].action == "leave"
    unsaid = replace(plan, present=UNSAID)
    assert cells(unsaid, joining, settings=turned(45.0), present=turned(0.0))[3].was == "not stated"
    assert cells(unsaid, joining, settings=turned(0.0), present=turned(0.0))[3].action == "leave"


def test_low_pass_is_bypassed_or_stays(plan, joining):
    pathed = replace(plan, target=replace(plan.target, path=("high-pass A", "low-pass B")))
    bypass = cells(pathed, joining, settings=JoiningSettings(), bypass=("low-pass C",))[0]
    assert (bypass.action, bypass.value) == ("set", "Bypass")
    assert bypass.detail == "C: one too many; keep B"
    kept = cells(pathed, joining, settings=JoiningSettings(), bypass=())[0]
    assert (kept.action, kept.value, kept.detail) == ("keep", "B", "as measured")
    assert "filters beyond the steps" in leave_alone({"a": pathed})[0]


def test_the_plan_that_joins_switches_off_what_another_leaves_engaged(plan, joining):
    alone = replace(plan, target=replace(plan.target, path=("low-pass B", "low-pass C")))
    joins = replace(
        alone,
        target=replace(plan.target, path=("low-pass B",)),
        joining=replace(joining, bypass=("low-pass C",)),
    )
    cells = opening_steps([joins, alone])[
        "Low-pass and its bypass"
    ]  # "as it is" would be bypassed by then
    assert [(cell.action, cell.value) for cell in cells] == [("set", "Bypass"), ("keep", "B and C")]


def test_a_plan_that_only_joins_is_measured_again(plan, joining):
    still = tuple(replace(band, gain_db=band.present_db) for band in plan.bands)
    level = replace(plan.level, change_db=0.0, upstream_db=0.0)
    idle = replace(plan, bands=still, level=level)
    assert measure_step([idle])["Measure again"][0].action == "leave"
    joins = replace(idle, joining=joining)
    assert joins.joins
    assert measure_step([joins])["Measure again"][0].action == "do"
