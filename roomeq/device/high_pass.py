"""A protective high-pass as it is set on a device, and kept in a plan.

Conventions
-----------
The corner in Hz; the order counts the whole filter. None in place of one is off.
"""

from __future__ import annotations

from typing import Self

from roomeq.base.record import Record
from roomeq.device.crossover import CrossoverFilter, FilterFamily


class HighPass(Record, frozen=True, kw_only=True):
    """A protective high-pass as it is set on the device.

    Raises
    ------
    ValueError
        If there is no such filter.
    """

    family: FilterFamily
    order: int
    corner: float

    def __post_init__(self) -> None:
        self.filter()

    @classmethod
    def of(cls, one: CrossoverFilter | None) -> Self | None:
        """Return what is set of a filter; None for off.

        Raises
        ------
        ValueError
            If it is no high-pass, or a digital one.
        """
        if one is None:
            return None
        if one.kind != "high_pass" or one.sample_rate is not None:
            raise ValueError(f"the protective filter is a high-pass, and no digital one: got {one}")
        return cls.copied(one)

    def filter(self) -> CrossoverFilter:
        """Return the filter."""
        return CrossoverFilter(
            kind="high_pass", family=self.family, order=self.order, corner=self.corner
        )


def filter_of(one: HighPass | None) -> CrossoverFilter | None:
    """Return the filter of a setting; None for off."""
    return None if one is None else one.filter()
