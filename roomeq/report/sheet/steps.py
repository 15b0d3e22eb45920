"""Page 1 of the settings sheet: what to set, in working order, and what to leave alone.

Conventions
-----------
A step has one cell for each plan, or a single cell where all plans agree; steps stand in order, by
the control that is set. A setting that the plan
does not choose is shown as it was while measuring, where that is stated; nothing is invented.
Settings are absolute, in dB, but where the present one is not known; numbers carry a true minus
sign and as many decimals as the device's step needs.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias, TypeVar

from roomeq.base.levels import signed_setting
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.bands.reasons import BandSetting, Reason
from roomeq.plan.plan import Plan
from roomeq.plan.records import AS_IT_IS, NOT_STATED, is_stated
from roomeq.report.text.headroom import high_pass_text
from roomeq.report.text.joining import delay_numbers, delay_text
from roomeq.report.text.layout import joined
from roomeq.report.text.wording import KEEPS_LOUDNESS, level_purpose

LEAVE = "Leave as it is"
_Entry = TypeVar("_Entry")
_Key = TypeVar("_Key")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One setting.

    Attributes
    ----------
    action : {"set", "keep", "leave", "do"}
        Change it, leave it at the value shown, leave it unseen, or do something.
    value, was, detail : str
        The setting; the present one where it differs; a remark.
    fader : tuple of float
        Of bands: where 0 dB, the present gain and the new one lie on the range, as 0 to 100.
    change : bool
        Whether the value is a change, since what is set now is not known.
    """

    action: Literal["set", "keep", "leave", "do"]
    value: str
    was: str = ""
    detail: str = ""
    fader: tuple[float, ...] = ()
    change: bool = False


Steps: TypeAlias = dict[str, list[Cell]]


def with_minus(text: str) -> str:
    """Return a sentence of our own with true minus signs before figures."""
    return re.sub(r"(?<![\w\-.])-(?=\d)", "\N{MINUS SIGN}", text)


def decibels(value: float, *, step_db: float = 0.5) -> str:
    """Return a setting in dB with its sign and the decimals that the device's step needs."""
    return f"{with_minus(signed_setting(value, step_db=step_db))}\N{NO-BREAK SPACE}dB"


def _kept_cell(value: str | None) -> Cell:
    """Return a control that stays: with what was set, so that it can be set again after a reset."""
    if value is None:
        return Cell(action="leave", value=LEAVE, detail=f"what was set is {NOT_STATED}")
    return Cell(action="keep", value=value[0].upper() + value[1:], detail="as measured")


def _cell(was: str, value: str, detail: str = "") -> Cell:
    """Return a setting to be made; or to be kept, or left where nothing is known of it."""
    if value in (was, AS_IT_IS):
        return _kept_cell(None if value == AS_IT_IS else value)
    told, change = value[0].upper() + value[1:], was == NOT_STATED
    return Cell(action="set", value=told, was=was, detail=detail, change=change)


def _turn(change_db: float) -> str:
    """Return a change of level in words, where the setting itself is not known."""
    return f"{'Up' if change_db > 0 else 'Down'} by {decibels(abs(change_db)).lstrip('+')}"


def _filters(texts: Iterable[str], kind: str) -> str:
    return joined([text.removeprefix(f"{kind} ") for text in texts if text.startswith(kind)])


def _low_pass_cell(plan: Plan) -> Cell:
    kept, joining = _filters(plan.target.path, "low-pass"), plan.joining
    if joining is not None and joining.bypass:
        gone = f"{_filters(joining.bypass, 'low-pass')}: one too many"
        return Cell(action="set", value="Bypass", detail=f"{gone}; keep {kept}" if kept else gone)
    bare = plan.present is not None and plan.present.path is not None
    return _kept_cell(kept or ("none" if bare else None))


def _mains_cell(plan: Plan) -> Cell | None:
    stated = plan.present is not None and plan.present.mains_path
    return _kept_cell(joined(stated)) if stated else None


def _high_pass_cell(plan: Plan) -> Cell:
    choice, present = plan.protection, plan.present
    if choice is not None and choice.known:
        return _cell(high_pass_text(choice.present), high_pass_text(choice.high_pass))
    if present is not None and present.protection_known:
        return _kept_cell(high_pass_text(present.protection))
    return _kept_cell(_filters(plan.target.path, "high-pass") or None)


def _delay_cell(plan: Plan) -> Cell:
    def kept(settings: JoiningSettings) -> Cell:
        return _kept_cell(f"subwoofer {delay_text(settings)}" if settings.delay else "0 ms")

    joining, stated, own = plan.joining, plan.present, plan.set_together
    known = None if stated is None else stated.delay_ms
    if own is not None:
        return _cell(*own.setting_rows(stated)[0][1:])
    if joining is None:
        return _kept_cell(None) if known is None else kept(JoiningSettings(delay=1e-3 * known))
    unknown = not is_stated(stated, "delay_ms")
    settings, present = joining.settings.settings(), joining.present.settings()
    if math.isclose(settings.delay_ms, present.delay_ms, abs_tol=1e-6):
        return _kept_cell(None) if unknown else kept(settings)
    box, number, back, distance = delay_numbers(settings, present=present)
    value = f"Delay the {box} by {number} ms" if settings.delay else "0 ms"
    choice = f"EITHER this OR, where distances are entered, the subwoofer {distance}; never both"
    detail = "; ".join(filter(None, [back.strip(), choice]))
    if unknown:
        return _cell(NOT_STATED, f"{value} more than now", detail)
    return _cell(delay_text(present), value, detail)


def _polarity_cell(plan: Plan) -> Cell:
    joining, stated, own = plan.joining, plan.present, plan.set_together
    if own is not None:
        return _cell(*own.setting_rows(stated)[1][1:])
    if joining is None:
        return _kept_cell(None if stated is None else stated.polarity)
    stays = joining.present.settings().polarity if is_stated(stated, "polarity") else AS_IT_IS
    detail = f"if the microphone at each cone tells of crossed wires: mend, leave it {stays}"
    return _cell(*joining.setting_rows(stated)[1][1:], detail)


def _phase_cell(plan: Plan) -> Cell:
    def text(degrees: float, frequency: float | None) -> str:
        at = "" if frequency is None else f" at {frequency:g}\N{NO-BREAK SPACE}Hz"
        return f"{degrees:g}\N{DEGREE SIGN}{at}"

    joining, stated = plan.joining, plan.present
    if joining is not None and joining.settings.phase_frequency is not None:
        both, at = (joining.present, joining.settings), joining.settings.phase_frequency
        now, then = (text(one.phase_deg, at) for one in both)
        if is_stated(stated, "phase_deg"):
            return _cell(now, then)
        if now != then:
            return Cell(action="set", value=then, was=NOT_STATED)
    if stated is None or stated.phase_deg is None:
        return _kept_cell(None)
    return _kept_cell(text(stated.phase_deg, stated.phase_frequency))


def _level_cell(plan: Plan) -> Cell:
    level, purpose = plan.level, level_purpose(plan)
    if level.setting_db is None:
        return _cell(NOT_STATED, _turn(level.change_db) if level.change_db else AS_IT_IS, purpose)
    was = decibels(level.setting_db - level.change_db)
    return _cell(was, decibels(level.setting_db), purpose)


def _upstream_cell(plan: Plan) -> Cell | None:
    left_db = plan.level.upstream_shown_db
    detail = "what the level knob does not reach"
    return Cell(action="set", value=_turn(left_db), detail=detail, change=True) if left_db else None


def _fed_cell(plan: Plan) -> Cell | None:
    """Return that delay, level and bands of one in series are those of another's device."""
    own = plan.set_together
    feeder = None if own is None else own.fed_by
    return Cell(action="leave", value=f"by {feeder}, which feeds it") if feeder else None


_OPENING: dict[str, Callable[[Plan], Cell | None]] = {
    "Low-pass and its bypass": _low_pass_cell,
    "Filters of the mains": _mains_cell,
    "Protective high-pass": _high_pass_cell,
    "Delay": lambda plan: _fed_cell(plan) or _delay_cell(plan),
    "Polarity": _polarity_cell,
    "Phase control": _phase_cell,
    "Level knob": lambda plan: _fed_cell(plan) or _level_cell(plan),
    "Level upstream": _upstream_cell,
}


def opening_steps(plans: Sequence[Plan]) -> Steps:
    """Return what comes before the bands; a row that no plan has anything to say of is left out.

    Equal cells become one, but for what is to be set on each of several subwoofers.
    """
    nothing = Cell(action="leave", value=LEAVE)
    on_each = any(plan.set_together is not None for plan in plans)
    steps = {}
    for control, cell in _OPENING.items():
        found = [cell(plan) for plan in plans]
        cells = [one or nothing for one in found]
        if any(found):
            steps[control] = cells if on_each and cells[0].action == "set" else _once(cells)
    return steps


def _once(cells: list[Cell]) -> list[Cell]:
    return cells[:1] if all(cell == cells[0] for cell in cells) else cells


def common_steps(plan: Plan) -> Steps:
    """Return what is set for several subwoofers at once, in one cell for all."""
    joining, bypass = plan.joining, plan.joining is not None and bool(plan.joining.bypass)
    cells = {
        "All against the mains: delay": None if joining is None else _delay_cell(plan),
        "All: low-pass and its bypass": _low_pass_cell(plan) if bypass else None,
        "All: level upstream": _upstream_cell(plan),
    }
    return {control: [cell] for control, cell in cells.items() if cell}


def only_changes(steps: Steps) -> str:
    """Name the steps whose figure is a change, since what is set now is not known."""
    numbered = enumerate(steps.values(), start=1)
    return joined([f"{n}" for n, cells in numbered if any(cell.change for cell in cells)])


def _band_cell(band: BandSetting | None, plan: Plan) -> Cell:
    if band is None:
        return Cell(action="leave", value="no such band")
    device = plan.device
    reach = (device.highest_db - device.lowest_db) or 1.0
    shares = ((x - device.lowest_db) / reach for x in (0.0, band.present_db, band.gain_db))
    changed = band.gain_db != band.present_db
    known = changed and is_stated(plan.present, "gains_stated")
    return Cell(
        action="set" if changed else "keep",
        value=decibels(band.gain_db, step_db=device.step_db),
        was=decibels(band.present_db, step_db=device.step_db) if known else "",
        fader=tuple(round(100.0 * min(max(share, 0.0), 1.0), 2) for share in shares),
    )


def side_by_side(columns: Iterable[Mapping[str, _Entry]]) -> dict[str, tuple[_Entry | None, ...]]:
    """Return rows by name, in the order met: an entry for each column, None where it has none."""
    listed = list(columns)
    names = dict.fromkeys(name for column in listed for name in column)
    return {name: tuple(column.get(name) for column in listed) for name in names}


def band_steps(plans: Sequence[Plan]) -> Steps:
    """Return a row for every band of any plan, in order of frequency."""
    rows = side_by_side({band.label: band for band in plan.bands} for plan in plans)
    return {
        f"{label}\N{NO-BREAK SPACE}Hz": [
            _fed_cell(plan) or _band_cell(band, plan) for band, plan in zip(row, plans, strict=True)
        ]
        for label, row in sorted(rows.items(), key=lambda row: max(b.centre for b in row[1] if b))
    }


def seats_to_measure_again(plan: Plan) -> tuple[str, ...]:
    """Return spoilt seats, that with the most weight, and the one that should change most."""
    rows = plan.judged_seats or plan.seats
    first = max(rows, key=lambda seat: seat.weight)
    second = max(
        (seat for seat in rows if seat is not first),
        key=lambda seat: abs(seat.after_db - seat.before_db),
        default=first,
    )
    return tuple(dict.fromkeys([*_spoilt_seats(plan), first.seat, second.seat]))


def _spoilt_seats(plan: Plan) -> list[str]:
    """Return the seats of which no recording counts in full."""
    sound = {row.seat for row in plan.recordings if row.counts >= 1}
    return list(dict.fromkeys(row.seat for row in plan.recordings if row.seat not in sound))


def _measure_cell(plan: Plan) -> Cell:
    seats, spoilt = seats_to_measure_again(plan), _spoilt_seats(plan)
    if plan.idle and not spoilt:
        return Cell(action="leave", value="Not needed", detail="nothing was changed")
    if any(band.reason is Reason.MANY_ROOMS for band in plan.bands):
        detail = "as it was before, then roomeq compare: how far is each band turned?"
        return Cell(action="do", value="The model itself", detail=detail)
    why = ["most weight" if len(seats) == 1 else "most weight, and where most should change"]
    if spoilt:
        why.insert(0, f"{joined(spoilt)}: spoilt when recorded")
    if plan.joining is not None:
        what = "all subwoofers" if plan.subwoofers else "subwoofer"
        why.insert(0, f"{what} alone, then with mains")
    elif plan.subwoofers:
        why.insert(0, "all subwoofers together")
    return Cell(action="do", value=joined(seats), detail="; ".join([*why, "then roomeq verify"]))


def measure_step(plans: Sequence[Plan]) -> Steps:
    """Return what comes after the bands: some seats again."""
    return {"Measure again": _once([_measure_cell(plan) for plan in plans])}


def owners(found: Mapping[str, Sequence[_Key]]) -> dict[_Key, str]:
    """Return what plans hold, each once and in order, with the plans' names; none for all."""
    named: dict[_Key, dict[str, None]] = {}
    for name, keys in found.items():
        for key in keys:
            named.setdefault(key, {})[name] = None
    return {k: "" if len(v) == len(found) else joined(list(v)) for k, v in named.items()}


def shared(found: Mapping[str, Sequence[str]]) -> list[str]:
    """Return every text once, in order, with the names of its plans where it is not all of them."""
    return [f"{text} ({names})" if names else text for text, names in owners(found).items()]


_NO_MORE_BOOST = (Reason.CANCELLATION, Reason.BELOW_LIMIT, Reason.ROLL_OFF)


def _not_touched(plan: Plan) -> list[str]:
    """Return what must not be touched for the sake of one plan."""
    entries = []
    if not plan.idle:
        entries.append("Drive level and microphone gain, until all is measured again.")
    if plan.present is not None and plan.present.level_trim:
        undone = "run again, it undoes the level above"
        keeps = level_purpose(plan) == KEEPS_LOUDNESS
        when = "not before the seats above have been measured again; level only, no other filters"
        entries.append(f"The level trim upstream: {when if keeps else undone}.")
    return entries


def _held(plan: Plan) -> list[str]:
    """Return the bands where more boost would do least."""
    labels = [band.label for band in plan.bands if band.reason in _NO_MORE_BOOST]
    return [f"{joined(labels)} Hz"] if labels else []


def leave_alone(plans: Mapping[str, Plan]) -> list[str]:
    """Return what must not be touched, in sentences; what holds for some plans names them."""
    told = [
        "Subwoofer, seats, and filters beyond the steps: the settings hold for them as they stood.",
        *shared({name: _not_touched(plan) for name, plan in plans.items()}),
    ]
    if where := "; ".join(shared({name: _held(plan) for name, plan in plans.items()})):
        what = f"More boost than is shown at {where}"
        told.append(f"{what}: it costs headroom, and little may come of it.")
    return told
