"""What is known for joining subwoofer and mains: time reference, paths, what can be set.

Conventions
-----------
What is not known is None. Delays in s, those of the subwoofer against the mains: positive is later.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter
from roomeq.device.mains import MainsBox
from roomeq.device.processor import DelayRange
from roomeq.device.profile import FilterChoice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PathResponse:
    """A response of the subwoofer's path by itself.

    Attributes
    ----------
    response : FrequencyResponse
    taken : {"close", "electrical"}
        By a microphone close to the cone, or at the amplifier's terminals.
    file : str
    """

    response: FrequencyResponse
    taken: Literal["close", "electrical"]
    file: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JoiningSetup:
    """All that joining needs to know beyond the measurements.

    Attributes
    ----------
    common_time_reference : bool or None
        Whether subwoofer and mains were measured against one time zero; None is not stated.
    subwoofer_is : {"late", "early"} or None
        What a deciding measurement told where only levels are known; None if it was not made.
    present_delay : float
        Of the subwoofer against the mains while measuring, as far as the processor makes it.
    delays : DelayRange or None
        Delays that can be set.
    high_pass, low_pass : FilterChoice or None
        What the processor offers for mains and subwoofer.
    same_corner : bool
        Whether one knob of the processor sets both corners.
    mains : MainsBox or None
    mains_path : tuple of CrossoverFilter or None
        Electrical filters in force in the mains' path; None where they are not stated.
    fixed : tuple of int
        Places in the subwoofer's path of low-passes that cannot be bypassed.
    path_response : PathResponse or None
    level_trim : bool
        Whether the processor trims levels by itself.
    """

    common_time_reference: bool | None = None
    subwoofer_is: Literal["late", "early"] | None = None
    present_delay: float = 0.0
    delays: DelayRange | None = None
    high_pass: FilterChoice | None = None
    low_pass: FilterChoice | None = None
    same_corner: bool = False
    mains: MainsBox | None = None
    mains_path: tuple[CrossoverFilter, ...] | None = None
    fixed: tuple[int, ...] = ()
    path_response: PathResponse | None = None
    level_trim: bool = False

    @property
    def mains_filters(self) -> tuple[CrossoverFilter, ...] | None:
        """High-passes of the mains, electrical and that of their box.

        None where the electrical ones are not stated: the box alone would be taken for all. Empty
        where it is stated that there are none, and nothing of the box.
        """
        if self.mains_path is None:
            return None
        box = () if self.mains is None else (self.mains.roll_off,)
        return (*self.mains_path, *box)
