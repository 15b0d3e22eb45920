"""A room with several subwoofers as it is to be set: each alone, and their sum.

Conventions
-----------
Delays in s, gains and levels in dB. What is set now is divided out, what is to be set put in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roomeq.base.levels import ComplexArray, FloatArray
from roomeq.base.survey import Survey
from roomeq.device.processor import JoiningSettings
from roomeq.optimiser.several.choose import Together
from roomeq.room.room import Room, Subwoofer
from roomeq.room.together import summed_survey


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneSetting:
    """What one of several subwoofers is to be set to.

    Attributes
    ----------
    subwoofer : Subwoofer
    gains_db : ndarray, shape (B,)
    setting : JoiningSettings
        Delay, polarity, and level against now.
    """

    subwoofer: Subwoofer
    gains_db: FloatArray
    setting: JoiningSettings

    def change(self, frequencies: FloatArray) -> ComplexArray:
        """Return what the setting changes against now, a complex amplitude ratio, shape (F,)."""
        bands = self.subwoofer.room.equaliser.response(self.gains_db, frequencies)
        now = self.subwoofer.response_now(frequencies)
        return np.asarray(bands * self.setting.response(frequencies) / now)

    @property
    def survey(self) -> Survey:
        """The subwoofer alone as it is to be set."""
        return self.subwoofer.room.survey.filtered("sub", self.change)


def settings_of(subwoofers: Sequence[Subwoofer], found: Together) -> tuple[OneSetting, ...]:
    """Return what each subwoofer is to be set to."""
    each = zip(subwoofers, found.gains_db, found.settings, strict=True)
    return tuple(
        OneSetting(subwoofer=one, gains_db=gains_db, setting=setting)
        for one, gains_db, setting in each
    )


def room_as_set(room: Room, settings: Sequence[OneSetting], *, most_louder_db: float = 0.0) -> Room:
    """Return a room whose survey holds the sum as it is to be set, and may be that much louder.

    What was measured of subwoofers and mains together is left out: it is of what is set now.
    """
    summed = summed_survey([one.survey for one in settings], coherent=True)
    summed = summed.of_seats(room.survey.of_source("sub").seats)
    mains = tuple(entry for entry in room.survey.measurements if entry.source == "mains")
    survey = replace(room.survey, measurements=(*summed.measurements, *mains))
    limits = replace(room.limits, drive_boost_db=most_louder_db, drive_by_frequency=())
    return replace(room, survey=survey, limits=limits)
