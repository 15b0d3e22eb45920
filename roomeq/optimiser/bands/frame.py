"""Bands of a proposal as a pandas table.

Conventions
-----------
One row for each band, in rising order. Columns carry their unit as names do everywhere. Reasons are
codes, missing where a band does what it is asked; a figure that is not known is missing too.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from roomeq.optimiser.bands.reasons import Reason

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ProposedBand", "band_frame"]

_FIGURES = (
    "centre",
    "present_db",
    "gain_db",
    "best_gain_db",
    "error_db",
    "spread_db",
    "remaining_db",
)


class ProposedBand(Protocol):
    """What a row is made of; see `roomeq.optimiser.bands.reasons.BandReason`."""

    @property
    def label(self) -> str:
        """Nominal centre."""

    @property
    def reason(self) -> Reason | None:
        """What held the band back."""


def band_frame(bands: Sequence[ProposedBand]) -> DataFrame:
    """Return bands as a table.

    Parameters
    ----------
    bands : sequence of BandReason or BandSetting

    Returns
    -------
    DataFrame
        Columns ``band`` (nominal centre), ``centre`` in Hz, ``present_db``, ``gain_db``,
        ``best_gain_db``, ``error_db``, ``spread_db``, ``remaining_db``, ``reason``.
    """
    from pandas import DataFrame, Series

    columns: dict[str, object] = {"band": [band.label for band in bands]}
    for name in _FIGURES:
        columns[name] = Series([getattr(band, name) for band in bands], dtype=float)
    columns["reason"] = [None if band.reason is None else str(band.reason) for band in bands]
    return DataFrame(columns)
