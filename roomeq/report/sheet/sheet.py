"""The settings sheet: what stays in the room, as one HTML file that another technician can act on.

Conventions
-----------
One file, nothing fetched, no script; it opens offline, in light or dark, and prints black on white
on A4 and Letter. Page 1 holds the settings in working order, what must not be touched, and
cautions; page 2 the evidence. Plans of one device in one room stand side by side, for the settings
that a device can store. Whatever comes from files is escaped by the template. Needs jinja2 (extra
``report``).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from roomeq.base.errors import RoomeqError, SheetFileError
from roomeq.base.files import refuse_other_kinds, replacing
from roomeq.base.printable import printable
from roomeq.plan.plan import Plan
from roomeq.plan.records import is_stated
from roomeq.report.sheet import evidence, steps
from roomeq.report.sheet.picture import sheet_picture
from roomeq.report.text import wording
from roomeq.report.text.layout import joined
from roomeq.report.text.safety import SAFETY

if TYPE_CHECKING:
    from jinja2 import Template

_MARK = b'<meta name="generator" content="roomeq settings sheet">'
_HEAD = 1024
MOST_SIDE_BY_SIDE = 3
_UNTOLD = "; what was set is not stated: taken for 0 dB"


def settings_sheet(plans: Mapping[str, Plan], *, mixed: bool = False) -> str:
    """Return the settings sheet of one or several plans as HTML.

    Parameters
    ----------
    plans : mapping of str to Plan
        Plans by the name that the sheet shall show, such as "music" and "film"; the order is kept.
    mixed : bool
        Whether plans of different rooms or devices are accepted.

    Returns
    -------
    str
        A complete HTML document.

    Raises
    ------
    ValueError
        If there is no plan, or the plans are of different rooms or devices and `mixed` is not set.
    RoomeqError
        If jinja2 is not installed.
    """
    if not plans:
        raise ValueError("a settings sheet needs at least one plan")
    if not mixed:
        _refuse_mixture(plans)
    several = next((name for name, plan in plans.items() if plan.subwoofers), None)
    if several is not None and len(plans) > 1:
        raise ValueError(
            f"{several!r} is the plan of several subwoofers, whose columns fill a sheet: give it "
            "by itself"
        )
    listed = list(plans.values())
    columns = listed[0].subwoofers or plans
    each = list(columns.values())
    opening = steps.opening_steps(each)
    if several is not None:
        opening |= steps.common_steps(listed[0])
    pictures = {name: sheet_picture(plan) for name, plan in plans.items()}
    return _template().render(
        columns=list(columns),
        each=each,
        plans=plans,
        rooms=_once(plan.room for plan in listed),
        devices=_once(plan.device.name for plan in listed),
        date=_once(plan.record["date"] for plan in listed if plan.record.get("date")),
        tight=len({plan.joining is None for plan in listed}) > 1,
        made=_made(plans),
        opening=opening,
        ranges=_once(_range(plan) for plan in each),
        untold="" if all(is_stated(one.present, "gains_stated") for one in each) else _UNTOLD,
        pictures=pictures,
        units=_once(picture.unit for picture in pictures.values() if picture),
        alone=[{name: plan} for name, plan in plans.items()],
        beside=[plans] if 1 < len(plans) <= MOST_SIDE_BY_SIDE else [],
        told={
            "What filters cannot mend": evidence.remedies(plans) if several is None else [],
            "Measured": evidence.record(plans),
            "Taken for granted": steps.shared({n: evidence.granted(p) for n, p in plans.items()})
            or ["Nothing: all that was needed was stated."],
            "Done while reading the files": steps.shared(
                {name: evidence.merged_notes(plan) for name, plan in plans.items()}
            ),
        },
        version=", ".join(_once(plan.roomeq_version for plan in listed)),
    )


def write_settings_sheet(
    plans: Mapping[str, Plan], path: str | PathLike[str], *, mixed: bool = False
) -> None:
    """Write a settings sheet; the file is complete or not there at all.

    Parameters
    ----------
    plans : mapping of str to Plan
        See `settings_sheet`.
    path : path-like
        The HTML file; an earlier settings sheet of that name is replaced.
    mixed : bool
        Whether plans of different rooms or devices are accepted.

    Raises
    ------
    ValueError, RoomeqError
        As `settings_sheet`.
    SheetFileError
        If the file exists and is no settings sheet: a measurement must not be lost to a mistyped
        name.
    OSError
        If the folder does not exist or cannot be written to.
    """
    location = Path(path)
    text = settings_sheet(plans, mixed=mixed)
    refuse_other_kinds(
        location, kind="settings sheet", is_of_kind=_is_a_sheet, error=SheetFileError
    )
    with replacing(location) as temporary:
        temporary.write_text(printable(text), encoding="utf-8", newline="\n")


def _is_a_sheet(location: Path) -> bool:
    with location.open("rb") as file:
        return _MARK in file.read(_HEAD)


def plan_names(paths: Sequence[str]) -> tuple[str, ...]:
    """Return a short name for each plan file: its stem, or its path where stems are the same.

    Raises
    ------
    ValueError
        If a file is given twice.
    """
    twice = next((path for path in paths if paths.count(path) > 1), None)
    if twice is not None:
        raise ValueError(f"{twice} is given twice")
    stems = [Path(path).stem for path in paths]
    return tuple(
        stem if stems.count(stem) == 1 else path for stem, path in zip(stems, paths, strict=True)
    )


def _refuse_mixture(plans: Mapping[str, Plan]) -> None:
    (name, first), *others = plans.items()
    for beside, other in others:
        what = f"devices: {first.device.name!r} and {other.device.name!r}"
        if other.room != first.room:
            what = f"rooms: {first.room!r} and {other.room!r}"
        elif first.device.name == other.device.name:
            what = f"states of the device {first.device.name!r} (range, step, bands or Q)"
        if (other.room, other.device) != (first.room, first.device):
            raise ValueError(
                f"plans {name!r} and {beside!r} are of different {what}; a sheet is for one device "
                "in one room, unless mixed plans are asked for"
            )


def _once(texts: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(texts))


def _made(plans: Mapping[str, Plan]) -> str:
    """Say which plans these are, when they were made and by whom, as far as it is kept."""
    found = {}
    for name, plan in plans.items():
        said = f"{(plan.date and f' {plan.date}') or ''}{(plan.by and f' by {plan.by}') or ''}"
        found[name] = [f", made{said}" if said else ""]
    texts = (f"{names or joined(list(plans))}{text}" for text, names in steps.owners(found).items())
    return f"Plan{'s' if len(plans) > 1 else ''} {'; '.join(texts)}"


def _with_minus(value: object) -> object:
    """Return what is printed with true minus signs; markup, and what is not text, as it is."""
    return steps.with_minus(value) if type(value) is str else value


def _range(plan: Plan) -> str:
    device = plan.device
    limits = (device.lowest_db, device.highest_db)
    return " to ".join(steps.decibels(value, step_db=device.step_db) for value in limits)


@cache  # to compile it takes six times as long as to fill it in
def _template() -> Template:
    try:
        from jinja2 import Environment, PackageLoader, StrictUndefined
    except ImportError as error:
        raise RoomeqError(
            "the settings sheet needs jinja2 (install roomeq with its extra: roomeq[report])"
        ) from error
    environment = Environment(
        loader=PackageLoader("roomeq.report.sheet"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_with_minus,
    )
    environment.globals |= {"evidence": evidence, "steps": steps, "wording": wording}
    environment.globals["safety"] = list(SAFETY)
    return environment.get_template("settings_sheet.html.jinja")
