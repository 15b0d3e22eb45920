"""A band of a device as it was found by measuring: where it lies, and what its settings give.

Conventions
-----------
Settings and gains in dB, frequencies in Hz. What is not given was not told by the measurement, and
stays as it is assumed: a gain as it is set, a Q by the device's shared law.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.levels import FloatArray
from roomeq.base.toml_tables import Plausible, StrictTable

GAIN = Plausible(-60.0, 60.0, "dB")
CENTRE = Plausible(1.0, 20000.0, "Hz")


class FoundSetting(StrictTable, frozen=True, kw_only=True):
    """What one setting of a band gives.

    Attributes
    ----------
    setting_db : -6.0
        As the device calls it.
    gain_db : -5.7
        What it gives at the centre.
    q : 3.9
        Q there.
    """

    setting_db: Annotated[float, GAIN]
    gain_db: Annotated[float | None, GAIN] = None
    q: Annotated[float | None, Plausible(0.0, 100.0, "")] = None


class FoundBand(StrictTable, frozen=True, kw_only=True):
    """``[[equaliser.found]]``: a band as it was found.

    Attributes
    ----------
    centre : 40
        As the device calls it.
    measured_centre : 41.3
        Where it lies.
    settings
        What single settings give. Between them is interpolated, through 0 dB at 0; beyond the last
        the gain grows in proportion and the Q stays. A side (boost or cut) that was not measured is
        taken as the mirror of the other.
    """

    centre: Annotated[float, CENTRE]
    measured_centre: Annotated[float | None, CENTRE] = None
    settings: tuple[FoundSetting, ...] = ()

    def __post_init__(self) -> None:
        settings = [one.setting_db for one in self.settings]
        if 0.0 in settings or len(set(settings)) < len(settings):
            raise ValueError("settings of a found band are other than 0, each given once")
        for one in self.settings:
            if one.gain_db is not None and not one.gain_db * one.setting_db > 0:
                raise ValueError(f"at {one.setting_db:g} dB a gain has the same sign")
            if one.q is not None and not one.q > 0:
                raise ValueError(f"at {one.setting_db:g} dB the Q must be positive")

    @property
    def tells_q(self) -> bool:
        """Whether the Q of any setting was found."""
        return any(one.q for one in self.settings)

    def gains_db(self, settings_db: ArrayLike) -> FloatArray:
        """Return the real gains at settings, in dB."""
        settings = np.asarray(settings_db, dtype=np.float64)
        known = [(one.setting_db, one.gain_db) for one in self.settings if one.gain_db is not None]
        return by_side(settings, known, grows=True) if known else settings

    def qs(self, settings_db: ArrayLike, *, otherwise: FloatArray) -> FloatArray:
        """Return Q at settings; `otherwise`, of the same shape, where none was found."""
        settings = np.asarray(settings_db, dtype=np.float64)
        known = [(one.setting_db, one.q) for one in self.settings if one.q is not None]
        return by_side(settings, known, grows=False) if known else otherwise


def by_side(settings: FloatArray, known: Sequence[tuple[float, Any]], *, grows: bool) -> FloatArray:
    """Return values at settings, between those of the same sign if there are any.

    What grows does so from 0, and in proportion beyond the last one; a side that is not known is
    then the mirror of the other.

    Parameters
    ----------
    settings : ndarray, shape (...)
    known : sequence of (float, float or ndarray of shape (F,))
        Settings, and what was found there.
    grows : bool

    Returns
    -------
    ndarray, shape (...) or (..., F)
    """
    found = []
    for setting in settings.ravel():
        side = [one for one in known if one[0] * setting > 0] or known
        side = sorted(side, key=lambda one: abs(one[0]))
        sizes, values = np.abs([one[0] for one in side]), np.array([one[1] for one in side])
        factor = 1.0
        if grows:
            factor = max(abs(setting) / sizes[-1], 1.0) * (
                1.0 if side[0][0] * setting >= 0 else -1.0
            )
            sizes, values = np.append(0.0, sizes), np.concatenate([0.0 * values[:1], values])
        shares = [np.interp(abs(setting), sizes, one) for one in np.eye(sizes.size)]
        found.append(factor * (np.array(shares) @ values))
    return np.reshape(found, (*settings.shape, *np.shape(known[0][1])))
