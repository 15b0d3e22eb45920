"""Tables of a room file that speak of joining subwoofer and mains.

Conventions
-----------
As in `roomeq.importers.room_file.schema`, which holds the other tables: one frozen value for each
TOML table, None means that the file does not say it. Frequencies in Hz; a delay is that of the
subwoofer against the mains, positive is later, in ms as on a processor's display. What the values
must satisfy together is checked in `roomeq.importers.room_file.joining_checks`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from roomeq.base.toml_tables import Plausible, StrictTable
from roomeq.device.profile import FilterChoice

__all__ = [
    "CORNER_SPAN",
    "HIGH_PASS_SPAN",
    "LONGEST_MS",
    "FilterChoiceTable",
    "FilterTable",
    "PathResponseTable",
    "ProcessorTable",
    "SubFilterTable",
    "TimingTable",
]

LONGEST_MS = 200.0

CORNER_SPAN = (20.0, 300.0)
"""Hz between which a crossover or low-pass corner is plausible."""

HIGH_PASS_SPAN = (5.0, 300.0)

_Delay = Plausible(-LONGEST_MS, LONGEST_MS, "ms")


class FilterTable(StrictTable, frozen=True, kw_only=True):
    """``[[mains_path]]``: an electrical filter in force in the mains' path while measuring.

    Attributes
    ----------
    kind
        Kind of filter.
    family
        Its shape.
    order : 4
        6 dB per octave each: 1 to 8; linkwitz_riley 2, 4, 6, 8.
    corner : 80
        As its maker states it; of a low-pass from 20 Hz.
    where : "processor"
        In which device.
    """

    kind: Literal["low_pass", "high_pass"]
    family: Literal["linkwitz_riley", "butterworth"]
    order: int
    corner: Annotated[float, Plausible(*HIGH_PASS_SPAN, "Hz")]
    where: str = ""


class SubFilterTable(FilterTable, frozen=True, kw_only=True):
    """``[[path]]``: a filter in force in the subwoofer's path while measuring.

    Attributes
    ----------
    can_bypass
        Whether a low-pass can be switched off.
    """

    can_bypass: bool = True


class TimingTable(StrictTable, frozen=True, kw_only=True):
    """``[timing]``: whether phases of subwoofer and mains may be compared.

    Attributes
    ----------
    common_reference
        One time zero: a loopback, or a reference loudspeaker that stays.
    subwoofer
        Without one: what the deciding measurement of `join` told.
    """

    common_reference: bool
    subwoofer: Literal["late", "early"] | None = None


class FilterChoiceTable(FilterChoice, frozen=True, kw_only=True):
    """``high_pass`` and ``low_pass`` of ``[processor]``: corners and orders to choose from.

    Attributes
    ----------
    can_bypass
        Whether it can be switched off.
    """

    can_bypass: bool = True


class ProcessorTable(StrictTable, frozen=True, kw_only=True):
    """``[processor]``: what the processor upstream offers; negative delays are the mains'.

    Attributes
    ----------
    delay_lowest_ms : -20
        Of the subwoofer; negative delays the mains.
    delay_highest_ms : 20
        Of the subwoofer.
    delay_step_ms : 0.1
        Step of the delay.
    same_corner
        Whether one knob sets both corners.
    level_trim
        Whether it measures and trims the levels of all loudspeakers by itself.
    """

    delay_lowest_ms: Annotated[float | None, _Delay] = None
    delay_highest_ms: Annotated[float | None, _Delay] = None
    delay_step_ms: Annotated[float | None, Plausible(0.001, 50.0, "ms")] = None
    high_pass: FilterChoiceTable | None = None
    low_pass: FilterChoiceTable | None = None
    same_corner: bool = False
    level_trim: bool = False


class PathResponseTable(StrictTable, frozen=True, kw_only=True):
    """``[path_response]``: the subwoofer's path by itself, to find the filters in it.

    Attributes
    ----------
    file : "close.txt"
        A text export.
    taken
        Microphone close to the cone (and corrected), or at the terminals.
    """

    file: str
    taken: Literal["close", "electrical"] = "close"
