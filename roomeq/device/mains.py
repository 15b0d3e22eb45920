"""Main loudspeakers as their maker describes them: kind of box, corner, tuning.

Conventions
-----------
Frequencies in Hz.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import field

from roomeq.base.toml_tables import Plausible, StrictTable
from roomeq.device.crossover import CrossoverFilter


class MainsBox(StrictTable, frozen=True, kw_only=True):
    """``[mains]``: the mains as their maker describes them.

    Attributes
    ----------
    kind
        Kind of box.
    corner : 50
        Where they are 3 dB down.
    tuning : 45
        Of a vented box; without it the corner.
    """

    kind: Literal["closed", "vented"] = field(name="box")
    corner: Annotated[float, Plausible(15.0, 300.0, "Hz")]
    tuning: Annotated[float | None, Plausible(10.0, 200.0, "Hz")] = None

    @property
    def order(self) -> int:
        """Order of the box's own fall: 2 for a closed box, 4 for a vented one."""
        return 2 if self.kind == "closed" else 4

    @property
    def roll_off(self) -> CrossoverFilter:
        """The box's fall as a Butterworth high-pass, where nothing better is known."""
        return CrossoverFilter(
            kind="high_pass",
            family="butterworth",
            order=self.order,
            corner=self.corner,
            where="box",
        )
