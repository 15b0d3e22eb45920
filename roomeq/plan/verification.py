"""Parts of a verification, as they are printed or written as JSON.

Conventions
-----------
Frozen records. Differences are measured again less predicted, in dB.
"""

from __future__ import annotations

import datetime
from enum import StrEnum
from functools import partial
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec

from roomeq.base.errors import PlanFileError
from roomeq.base.files import LARGEST_TABLES, file_bytes, from_json
from roomeq.base.record import Record, html_table

if TYPE_CHECKING:
    from pandas import DataFrame


class _InForce(msgspec.Struct):
    room: str
    in_force_db: dict[str, float] | None


def read_in_force(path: str | PathLike[str], *, room: str) -> dict[str, float]:
    """Return the gains that a verification found in force, by band, in dB.

    Parameters
    ----------
    path : path-like
        What ``roomeq verify --json`` printed.
    room : str
        Name of the room it must be of.

    Raises
    ------
    PlanFileError
        If it is no verification, of another room, or does not tell.
    """
    location, remedy = Path(path), "give a file with what verify --json printed"
    fault = partial(PlanFileError, path=location)
    text = file_bytes(location, largest=LARGEST_TABLES, error=PlanFileError, remedy=remedy)
    try:
        found = from_json(text, _InForce)
    except msgspec.MsgspecError as error:
        raise fault(f"is no verification: {error}", remedy=remedy) from None
    if found.room != room:
        raise fault(f"is of {found.room!r}, not of {room!r}")
    if found.in_force_db is None:
        stated = "state them as [device.present] gains_db in the room file"
        raise fault("does not tell which gains are in force", remedy=stated)
    return found.in_force_db


class SeatCheck(Record, frozen=True, kw_only=True):
    """One seat: root mean square difference in dB, and whether that is close enough."""

    seat: str
    difference_db: float
    agrees: bool


class BandCheck(Record, frozen=True, kw_only=True):
    """One band, averaged over the seats.

    Attributes
    ----------
    label : str
    difference_db : float
        Measured again less predicted.
    unexplained_db : float
        What is left of it when the suspected settings, whose skirts reach into neighbouring bands,
        are allowed for; the same where nothing is suspected.
    agrees : bool
        Whether the difference is close enough.
    """

    label: str
    difference_db: float
    unexplained_db: float
    agrees: bool


class LevelCheck(Record, frozen=True, kw_only=True):
    """The level knob, as far as the level at the seats tells.

    Attributes
    ----------
    difference_db : float
        Level at the seats less what the knob as planned gives.
    planned_db, looks_like_db : float or None
        Setting of the plan, and the one that would explain the difference if drive level and
        microphone gain were as before; None where the plan does not know it.
    agrees : bool
        Whether the difference is close enough.
    """

    difference_db: float
    planned_db: float | None
    looks_like_db: float | None
    agrees: bool


class CauseCode(StrEnum):
    """What may explain that a measurement differs from a plan."""

    AS_PLANNED = "as_planned"
    AS_BEFORE = "as_before"
    OTHER_PLAN = "other_plan"
    BANDS_OFF = "bands_off"
    LEVEL = "level"
    MAINS_LEVEL = "mains_level"
    POLARITY = "polarity"
    DELAY = "delay"
    BAND = "band"
    TWO_BANDS = "two_bands"
    SIGNS = "signs"
    SCALED = "scaled"
    SHIFTED = "shifted"
    EXCHANGED = "exchanged"
    WIDTH = "width"
    HIGH_PASS = "high_pass"
    LOW_PASS = "low_pass"
    MAINS_HIGH_PASS = "mains_high_pass"
    MICROPHONE = "microphone"
    SUBWOOFER_OFF = "subwoofer_off"
    SUBWOOFER_INVERTED = "subwoofer_inverted"
    SUBWOOFER_DELAY = "subwoofer_delay"
    SUBWOOFER_LEVEL = "subwoofer_level"
    SEAT_MOVED = "seat_moved"
    SEATS_EXCHANGED = "seats_exchanged"
    ALL_MOVED = "all_moved"
    SOMETHING_ELSE = "something_else"


class Cause(Record, frozen=True, kw_only=True):
    """What may explain the difference.

    Attributes
    ----------
    code : CauseCode
    share : float
        How likely it is among all that were tried, 0 to 1.
    bands : tuple of str
        Labels of the bands it speaks of.
    gains_db : tuple of float
        What they look like.
    seats : tuple of str
    value : float or None
        A factor, a step, a corner in Hz, a delay in s, a level in dB, as the code has it.
    name : str or None
        Of another plan, or of one of several subwoofers.
    engaged : bool or None
        Whether a filter or a correction is in force that should not be, or is not and should be.
    """

    code: CauseCode
    share: float = 0.0
    bands: tuple[str, ...] = ()
    gains_db: tuple[float, ...] = ()
    seats: tuple[str, ...] = ()
    value: float | None = None
    name: str | None = None
    engaged: bool | None = None


class StatedSetting(Record, frozen=True, kw_only=True):
    """A control that the room measured again states to be set to something else than planned.

    `label` is that of the band, or ``level``; `subwoofer` the one of several that it is of.
    """

    label: str
    planned_db: float
    stated_db: float
    subwoofer: str | None = None


class StatedJoiningSetting(Record, frozen=True, kw_only=True):
    """A setting against the mains, or of the chain, that is stated to be another than planned.

    `label` tells the unit of both values; a polarity is ``normal`` or ``inverted``, filters, the
    microphone's file, which subwoofers there are and what feeds one are told in words. `subwoofer`
    is the one of several that it is of.
    """

    label: Literal[
        "delay_ms", "polarity", "phase_deg", "path", "mains_path", "microphone",
        "subwoofers", "fed_by",
    ]  # fmt: skip
    planned: float | str
    stated: float | str
    subwoofer: str | None = None


class JoiningCheck(Record, frozen=True, kw_only=True):
    """What the sum of subwoofer and mains loses around the crossover.

    Attributes
    ----------
    agrees : bool
        Whether it is as planned: by the likeliest cause where the sum was measured again, else by
        what it loses.
    by_sum : bool
        Whether both together were measured again; else each alone against one time zero.
    corner : float
        Hz.
    loss_db, predicted_loss_db : float
        What the sum loses around it, measured again and as predicted.
    """

    agrees: bool
    by_sum: bool
    corner: float
    loss_db: float
    predicted_loss_db: float


class Verification(Record, frozen=True, kw_only=True):
    """What agrees with a plan, what does not, and what was probably set wrongly.

    Attributes
    ----------
    room : str
    agrees : bool
        Whether every band, averaged over seats, every seat and the sum with the mains is close
        enough. The level has no part in it, for it need not compare.
    tolerance_db : float
        What "close enough" was for a band: 1 dB, or three times the scatter of the mean over the
        seats where that is more (common practice, no source).
    scatter_db : float
        How far a repeated measurement was taken to scatter: as stated, or by how the seats differ.
    source : str
        What was measured again and is shown band by band.
    offset_db : float
        Level by which all seats differ from the prediction; removed from all other figures.
    in_force_db : dict of str to float or None
        Gain of every band that the likeliest cause says is in force; None where it does not.
    level : LevelCheck
    seats : tuple of SeatCheck
    bands : tuple of BandCheck
    causes : tuple of Cause
        The likeliest first, and those that cannot be told from it; empty where nothing can be told.
    bands_not_checked : tuple of str
        Labels of the bands outside what was compared.
    stated : tuple of StatedSetting
        Settings in force while measuring again that are stated and are not the plan's.
    stated_joining : tuple of StatedJoiningSetting
        The same of delay, polarity and phase control, where the plan joins the mains or is of
        several subwoofers, and of what is in the chain.
    not_measured_again : tuple of str
        Seats of the plan that are missing.
    joining : JoiningCheck or None
        None where the plan joins nothing, or what tells how both join was not measured again.
    joining_unchecked : bool
        Whether the plan joins both, and that was not checked.
    plan_date : datetime.date or None
        When the plan was made.
    """

    room: str
    agrees: bool
    tolerance_db: float
    offset_db: float
    scatter_db: float
    source: str
    level: LevelCheck
    seats: tuple[SeatCheck, ...]
    bands: tuple[BandCheck, ...]
    causes: tuple[Cause, ...]
    in_force_db: dict[str, float] | None
    stated: tuple[StatedSetting, ...]
    not_measured_again: tuple[str, ...]
    joining: JoiningCheck | None = None
    bands_not_checked: tuple[str, ...] = ()
    stated_joining: tuple[StatedJoiningSetting, ...] = ()
    joining_unchecked: bool = False
    plan_date: datetime.date | None = None

    def __repr__(self) -> str:
        said = "agrees with" if self.agrees else "does not agree with"
        return f"<Verification: {self.room} {said} its plan, {len(self.causes)} causes>"

    def to_frame(self) -> DataFrame:
        """Return one row for each band and each seat as a pandas table.

        Returns
        -------
        DataFrame
            ``kind`` (``band`` or ``seat``), ``name``, ``difference_db`` (a band's mean over seats
            with its sign, a seat's root mean square), ``agrees``.
        """
        from pandas import DataFrame

        return DataFrame(self._rows(), columns=["kind", "name", "difference_db", "agrees"])

    def _rows(self) -> list[tuple[str, str, float, bool]]:
        rows = [("band", row.label, row.difference_db, row.agrees) for row in self.bands]
        return rows + [("seat", row.seat, row.difference_db, row.agrees) for row in self.seats]

    def _repr_html_(self) -> str:
        """Return what agrees and what does not, for notebooks."""
        said = {True: "agrees", False: "differs"}
        rows = [
            (kind, name, f"{difference:{'+' if kind == 'band' else ''}.1f}", said[agrees])
            for kind, name, difference, agrees in self._rows()
        ]
        if (sum_ := self.joining) is not None:
            losses = f"{sum_.loss_db:.1f}, predicted {sum_.predicted_loss_db:.1f}"
            rows.append(("sum loses", f"around {sum_.corner:.0f} Hz", losses, said[sum_.agrees]))
        likely = [cause.code.replace("_", " ") for cause in self.causes]
        caption = repr(self)[1:-1] + (f": {' or '.join(likely)}" if likely else "")
        return html_table(caption, ("", "", "Difference dB", ""), rows)

    @property
    def close(self) -> bool:
        """Whether every band and every seat is within the tolerance."""
        return all(band.agrees for band in self.bands) and all(seat.agrees for seat in self.seats)

    @property
    def only_sum_differs(self) -> bool:
        """Whether what was measured alone agrees, and its sum with the mains does not."""
        joining = self.joining
        return self.close and self.source != "both" and joining is not None and not joining.agrees

    @property
    def stated_as_planned(self) -> bool:
        """Whether no stated setting is another than planned."""
        return not self.stated and not self.stated_joining


class SeatChange(Record, frozen=True, kw_only=True):
    """What changed at a seat from one survey to the other.

    Attributes
    ----------
    seat, source : str
    level_db : float
        Mean change.
    tilt_db_per_octave : float
        Straight line over log f beside it.
    rest_db : float
        Root mean square of what both leave.
    agrees : bool
        Whether it is unchanged but for the level that all seats share.
    """

    seat: str
    source: str
    level_db: float
    tilt_db_per_octave: float
    rest_db: float
    agrees: bool


class Comparison(Record, frozen=True, kw_only=True):
    """What changed from one survey of a room to another.

    Attributes
    ----------
    room : str
    dates : tuple of str
        Of both, as their room files have them; empty where they have none.
    unchanged : bool
        Whether nothing has changed beyond repeatability, the level included.
    level_agrees : bool
    tolerance_db, scatter_db, offset_db, source, bands, bands_not_checked
        As in `Verification`, the first survey in the place of the prediction.
    causes : tuple of Cause
        As there; gains of single bands are changes.
    seats : tuple of SeatChange
    stated : tuple of StatedSetting
        Settings that both room files state and that differ, the first as planned.
    stated_joining : tuple of StatedJoiningSetting
        The same of delay, polarity and phase control.
    missing, new : tuple of str
        Seats of one survey alone.
    """

    room: str
    dates: tuple[str, str]
    unchanged: bool
    level_agrees: bool
    tolerance_db: float
    scatter_db: float
    offset_db: float
    source: str
    bands: tuple[BandCheck, ...]
    bands_not_checked: tuple[str, ...]
    causes: tuple[Cause, ...]
    seats: tuple[SeatChange, ...]
    stated: tuple[StatedSetting, ...]
    missing: tuple[str, ...]
    new: tuple[str, ...]
    stated_joining: tuple[StatedJoiningSetting, ...] = ()
