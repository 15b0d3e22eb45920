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
    "LONGEST_MS",
    "FilterChoiceTable",
    "FilterTable",
    "PathResponseTable",
    "ProcessorTable",
    "SubFilterTable",
    "TimingTable",
]

LONGEST_MS = 200.0


class FilterTable(StrictTable, frozen=True, kw_only=True):
    """``[[mains_path]]``: an electrical filter in force in the mains' path while measuring."""

    kind: Literal["low_pass", "high_pass"]
    family: Literal["linkwitz_riley", "butterworth"]
    order: int
    corner: float
    where: str = ""


class SubFilterTable(FilterTable, frozen=True, kw_only=True):
    """``[[path]]``: a filter in force in the subwoofer's path while measuring.

    ``can_bypass = false`` says that a low-pass cannot be switched off.
    """

    can_bypass: bool = True


class TimingTable(StrictTable, frozen=True, kw_only=True):
    """``[timing]``: whether phases of subwoofer and mains may be compared.

    ``common_reference = true`` says that both were measured against one time zero: a loopback, or
    one reference loudspeaker that was not moved. Without one, ``subwoofer`` takes up what a
    deciding measurement told of a joining from levels alone: "late" or "early".
    """

    common_reference: bool
    subwoofer: Literal["late", "early"] | None = None


class FilterChoiceTable(FilterChoice, frozen=True, kw_only=True):
    """``high_pass`` and ``low_pass`` of ``[processor]``: corners and orders to choose from."""

    can_bypass: bool = True


class ProcessorTable(StrictTable, frozen=True, kw_only=True):
    """``[processor]``: what the processor upstream offers.

    Attributes
    ----------
    delay_lowest_ms, delay_highest_ms, delay_step_ms : float, optional
        Delays of the subwoofer against the mains. A negative one is made by delaying the mains.
    high_pass : FilterChoiceTable, optional
        For the mains.
    low_pass : FilterChoiceTable, optional
        For the subwoofer.
    same_corner : bool
        Whether one knob sets both corners.
    level_trim : bool
        Whether it measures and trims the levels of all loudspeakers by itself.
    """

    delay_lowest_ms: Annotated[float, Plausible(-LONGEST_MS, LONGEST_MS, "ms")] | None = None
    delay_highest_ms: Annotated[float, Plausible(-LONGEST_MS, LONGEST_MS, "ms")] | None = None
    delay_step_ms: Annotated[float, Plausible(0.001, 50.0, "ms")] | None = None
    high_pass: FilterChoiceTable | None = None
    low_pass: FilterChoiceTable | None = None
    same_corner: bool = False
    level_trim: bool = False


class PathResponseTable(StrictTable, frozen=True, kw_only=True):
    """``[path_response]``: a response of the subwoofer's path by itself.

    ``taken`` is "close" (microphone close to the cone) or "electrical" (at the amplifier's
    terminals). The file is read as a text export; one taken close is corrected for the microphone.
    """

    file: str
    taken: Literal["close", "electrical"] = "close"
