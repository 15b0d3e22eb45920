"""Page 1 of the settings sheet: what to set, in working order, and what to leave alone.

Conventions
-----------
A step has one cell for each plan, or a single cell where all plans agree. A setting that the plan
does not hold is left as it is; nothing is invented. Settings are absolute, in dB; numbers carry a
true minus sign and as many decimals as the device's step needs.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from roomeq.optimiser.bands.reasons import Reason
from roomeq.optimiser.drive.protection import ProtectionReason
from roomeq.plan.plan import BandSetting, LevelSetting, Plan
from roomeq.report.text.headroom import high_pass_text
from roomeq.report.text.joining import delay_numbers, delay_text
from roomeq.report.text.layout import signed, signed_setting
from roomeq.report.text.wording import level_purpose

__all__ = [
    "Cell",
    "Fader",
    "Step",
    "band_steps",
    "closing_steps",
    "decibels",
    "joined",
    "leave_alone",
    "opening_steps",
    "seats_to_measure_again",
    "with_minus",
]

LEAVE = "Leave as it is"
_NOT_HELD = "not part of this plan"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fader:
    """A band's range as a scale of 0 to 100: where zero, the present gain and the new one lie."""

    zero: float
    present: float
    gain: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One setting.

    Attributes
    ----------
    action : {"set", "keep", "leave", "do"}
        Change it, leave it at the value shown, leave it unseen, or do something.
    value, was, detail : str
        The setting; the present one where it differs; a remark.
    span : int
        Number of plans that the cell is for.
    fader : Fader or None
        Only of bands.
    """

    action: Literal["set", "keep", "leave", "do"]
    value: str
    was: str = ""
    detail: str = ""
    span: int = 1
    fader: Fader | None = None


_NOT_HELD_CELL = Cell(action="leave", value=LEAVE, detail=_NOT_HELD)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A control and its cells; `number` is empty for a band, which belongs to the step of bands."""

    number: str
    control: str
    cells: tuple[Cell, ...]


def with_minus(text: str) -> str:
    """Return a sentence of our own with true minus signs before figures."""
    return re.sub(r"(?<![\w\-.])-(?=\d)", "\N{MINUS SIGN}", text)


def decibels(value: float, *, step_db: float = 0.5) -> str:
    """Return a setting in dB with its sign and the decimals that the device's step needs."""
    return f"{with_minus(signed_setting(value, step_db=step_db))}\N{NO-BREAK SPACE}dB"


def joined(words: Sequence[str]) -> str:
    """Return words as "a, b and c"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _step(number: int, control: str, cells: Sequence[Cell]) -> Step:
    """Return a step; equal cells become one."""
    if len(cells) > 1 and all(cell == cells[0] for cell in cells) and cells[0].fader is None:
        first = cells[0]
        one = Cell(
            action=first.action,
            value=first.value,
            was=first.was,
            detail=first.detail,
            span=len(cells),
        )
        return Step(number=str(number), control=control, cells=(one,))
    return Step(number=str(number), control=control, cells=tuple(cells))


def _low_pass_cell(plan: Plan, *, bypassed: bool) -> Cell:
    """Return what to bypass; `bypassed` is whether any plan of the sheet bypasses a low-pass."""
    joining = plan.joining
    left = joined([text for text in plan.target.path if text.startswith("low-pass")])
    if joining is None and not (bypassed and left):
        return _filter_cell(plan, "low-pass")
    if joining is None or not joining.bypass:
        return Cell(action="keep", value="As while measuring", detail=left)
    return Cell(action="set", value="Bypass", detail=f"{joined(joining.bypass)}; keep {left}")


def _delay_cell(plan: Plan) -> Cell:
    joining = plan.joining
    if joining is None:
        return _NOT_HELD_CELL
    settings, present = joining.settings.settings(), joining.present.settings()
    if math.isclose(settings.delay_ms, present.delay_ms, abs_tol=1e-6):
        return Cell(action="keep", value=delay_text(settings))
    box, number, other, distance = delay_numbers(settings, present=present)
    return Cell(
        action="set",
        value=f"Delay the {box} by {number} ms" if settings.delay else "0 ms",
        was=delay_text(present),
        detail=f"{other}or enter the subwoofer {distance}; never both",
    )


def _polarity_cell(plan: Plan) -> Cell:
    joining = plan.joining
    if joining is None:
        return _NOT_HELD_CELL
    wanted, present = joining.settings.settings().polarity, joining.present.settings().polarity
    if wanted == present:
        return Cell(action="keep", value=wanted.capitalize())
    return Cell(
        action="set",
        value=wanted.capitalize(),
        was=present,
        detail=f"if the microphone at each cone tells of crossed wires: mend, leave it {present}",
    )


def _phase_cell(plan: Plan) -> Cell:
    joining = plan.joining
    if joining is None or joining.settings.phase_frequency is None:
        return _NOT_HELD_CELL
    wanted, present = joining.settings.phase_deg, joining.present.phase_deg
    value = f"{wanted:g}\N{DEGREE SIGN} at {joining.settings.phase_frequency:g}\N{NO-BREAK SPACE}Hz"
    if wanted == present:
        return Cell(action="keep", value=value)
    return Cell(action="set", value=value, was=f"{present:g}\N{DEGREE SIGN}")


def _filter_cell(plan: Plan, kind: str) -> Cell:
    found = [text for text in plan.target.path if text.startswith(kind)]
    detail = f"while measuring: {joined(found)}" if found else "what was in force is not stated"
    return Cell(action="leave", value=LEAVE, detail=detail)


def _high_pass_cell(plan: Plan) -> Cell:
    if plan.protection is None:
        return _filter_cell(plan, "high-pass")
    choice = plan.protection.choice()
    if choice.reason in (ProtectionReason.NO_CHOICE, ProtectionReason.PRESENT_UNKNOWN):
        return Cell(action="leave", value=LEAVE)
    text = high_pass_text(choice.high_pass)
    value = text[0].upper() + text[1:]
    if not plan.protection.changes:
        return Cell(action="keep", value=value)
    return Cell(action="set", value=value, was=high_pass_text(choice.present))


def _level_cell(level: LevelSetting, plan: Plan) -> Cell:
    exact = (
        f"{level_purpose(plan)}; exactly {with_minus(signed(level.exact_change_db, digits=2))} dB"
    )
    if level.setting_db is not None:
        value = decibels(level.setting_db)
        if level.change_db == 0:
            return Cell(action="keep", value=value)
        was = decibels(level.setting_db - level.change_db)
        return Cell(action="set", value=value, was=was, detail=exact)
    if level.change_db:
        direction = "Up" if level.change_db > 0 else "Down"
        turn = f"{direction} by {decibels(abs(level.change_db)).lstrip('+')}"
        return Cell(action="set", value=turn, detail=f"from where it stands; {exact}")
    return Cell(action="leave", value=LEAVE, detail="" if level.upstream_db else exact)


def opening_steps(plans: Sequence[Plan]) -> tuple[Step, ...]:
    """Return what comes before the bands: filters, delay, polarity, phase, level."""
    bypassed = any(plan.joining is not None and plan.joining.bypass for plan in plans)
    rows: tuple[tuple[str, Callable[[Plan], Cell]], ...] = (
        ("Low-pass and its bypass", lambda plan: _low_pass_cell(plan, bypassed=bypassed)),
        ("Protective high-pass", _high_pass_cell),
        ("Delay", _delay_cell),
        ("Polarity", _polarity_cell),
        ("Phase control", _phase_cell),
        ("Level knob", lambda plan: _level_cell(plan.level, plan)),
    )
    return tuple(
        _step(number, control, [cell(plan) for plan in plans])
        for number, (control, cell) in enumerate(rows, start=1)
    )


def _band_cell(band: BandSetting | None, plan: Plan) -> Cell:
    if band is None:
        return Cell(action="leave", value="no such band")
    device = plan.device
    reach = (device.highest_db - device.lowest_db) or 1.0

    def place(gain_db: float) -> float:
        return round(100 * min(max((gain_db - device.lowest_db) / reach, 0.0), 1.0), 2)

    changed = band.gain_db != band.present_db
    return Cell(
        action="set" if changed else "keep",
        value=decibels(band.gain_db, step_db=device.step_db),
        was=decibels(band.present_db, step_db=device.step_db) if changed else "",
        fader=Fader(zero=place(0.0), present=place(band.present_db), gain=place(band.gain_db)),
    )


def band_steps(plans: Sequence[Plan]) -> tuple[Step, ...]:
    """Return a row for every band of any plan, in order of frequency."""
    centres = {band.label: band.centre for plan in plans for band in plan.bands}
    by_label = [{band.label: band for band in plan.bands} for plan in plans]
    return tuple(
        Step(
            number="",
            control=f"{label}\N{NO-BREAK SPACE}Hz",
            cells=tuple(
                _band_cell(bands.get(label), plan)
                for bands, plan in zip(by_label, plans, strict=True)
            ),
        )
        for label in sorted(centres, key=lambda label: centres[label])
    )


def seats_to_measure_again(plan: Plan) -> tuple[str, ...]:
    """Return the seat with the most weight, and of the others the one that should change most."""
    first = max(plan.seats, key=lambda seat: seat.weight)
    others = [seat for seat in plan.seats if seat is not first]
    if not others:
        return (first.seat,)
    second = max(others, key=lambda seat: abs(seat.after_db - seat.before_db))
    return (first.seat, second.seat)


def _idle(plan: Plan) -> bool:
    level = plan.level
    return not plan.changes and not plan.joins and level.change_db == 0 and level.upstream_db == 0


def _upstream_cell(plan: Plan) -> Cell:
    if _idle(plan):
        return Cell(action="leave", value=LEAVE, detail="nothing was changed")
    detail = "with the settings above in force; level only, no other filters"
    if plan.level.upstream_db:
        value = f"Set {decibels(round(plan.level.upstream_db, 1))}, then run it again"
        return Cell(action="set", value=value, detail=detail)
    return Cell(action="do", value="Run it again", detail=detail)


def _measure_cell(plan: Plan) -> Cell:
    if _idle(plan):
        return Cell(action="leave", value="Not needed", detail="nothing was changed")
    seats = seats_to_measure_again(plan)
    why = "most weight" if len(seats) == 1 else "most weight, and where most should change"
    what = "" if plan.joining is None else "subwoofer alone, then with mains; "
    return Cell(
        action="do",
        value=joined(seats),
        detail=f"{what}{why}; same drive level and microphone gain, then roomeq verify",
    )


def closing_steps(plans: Sequence[Plan]) -> tuple[Step, ...]:
    """Return what comes after the bands: the level trim upstream, and two seats again."""
    return (
        _step(8, "Level trim upstream", [_upstream_cell(plan) for plan in plans]),
        _step(9, "Measure again", [_measure_cell(plan) for plan in plans]),
    )


def _bands_with(plans: Mapping[str, Plan], reasons: set[Reason]) -> dict[str, float]:
    return {
        band.label: band.centre
        for plan in plans.values()
        for band in plan.bands
        if band.reason in reasons
    }


def _in_order(centres: dict[str, float]) -> str:
    return joined(sorted(centres, key=lambda label: centres[label]))


def _not_set(plans: Mapping[str, Plan]) -> list[str]:
    """Return which controls none of the plans sets."""
    controls = []
    if all(plan.protection is None for plan in plans.values()):
        controls.append("protective high-pass")
    if all(plan.joining is None for plan in plans.values()):
        controls += ["delay", "polarity", "phase control"]
    if not controls:
        return []
    names = joined(controls)
    what = "it" if len(controls) == 1 else "them"
    return [f"{names[0].upper()}{names[1:]}: this plan does not set {what}."]


def _paths(plans: Mapping[str, Plan]) -> list[str]:
    """Return the filters that stay in the path; what differs between plans is said of each."""
    owners: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for name, plan in plans.items():
        bypassed = plan.joining.bypass if plan.joining else ()
        path = tuple(text for text in plan.target.path if text not in bypassed)
        where = "Left in the path" if bypassed else "In the path while measuring"
        owners.setdefault((where if path else "", path), []).append(name)
    entries = []
    for (where, path), names in owners.items():
        of = "" if len(names) == len(plans) else f" ({joined(names)})"
        entries.append(
            f"{where}{of}: {'; '.join(path)}. The settings were computed for it."
            if path
            else f"Every filter that was in the path while measuring{of}."
        )
    return entries


def _low_bands(plans: Mapping[str, Plan]) -> list[str]:
    """Return which bands are too low for a boost, and whether that is known of the subwoofer."""
    labels: dict[str, dict[str, float]] = {}
    for name, plan in plans.items():
        words = "what the subwoofer can do"
        if not plan.target.limit_known:
            floor = f"{plan.evidence.no_boost_below:.0f} Hz"
            words = f"{floor}, since the subwoofer's lower limit is not known"
        labels.setdefault(words, {}).update(_bands_with({name: plan}, {Reason.BELOW_LIMIT}))
    return [f"{_in_order(low)} Hz: no boost below {words}." for words, low in labels.items() if low]


def leave_alone(plans: Mapping[str, Plan]) -> tuple[str, ...]:
    """Return what must not be touched, in sentences."""
    entries = [
        *_paths(plans),
        *_not_set(plans),
        "The places of subwoofer and seats: the settings hold for where they stood.",
    ]
    if not all(_idle(plan) for plan in plans.values()):
        entries.append(
            "Drive level and microphone gain, until the seats of step 9 have been measured again."
        )
    cancelled = _bands_with(plans, {Reason.CANCELLATION})
    if cancelled:
        entries.append(f"{_in_order(cancelled)} Hz: deep dips, which more boost would not fill.")
    entries += _low_bands(plans)
    kept = {
        "above the crossover": Reason.ABOVE_CROSSOVER,
        "too near the crossover to tell": Reason.NEAR_CROSSOVER,
        "locked": Reason.LOCKED,
    }
    for words, reason in kept.items():
        held = _bands_with(plans, {reason})
        if held:
            entries.append(f"{_in_order(held)} Hz: {words}. Leave at what is shown.")
    return tuple(entries)
