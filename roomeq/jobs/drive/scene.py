"""The main seat by bands: what the wanted level asks there, and what of it the driver can give.

Conventions
-----------
Arrays are by third octave, shape (B,), or on the axis of the main seat, shape (F,). Levels in dB
SPL, voltages in V root mean square. Nothing here computes acoustics; figures come from
`roomeq.optimiser`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from roomeq.analysis.smoothing import band_levels_db
from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.bands import ThirdOctaveBand, third_octave_band, third_octave_bands
from roomeq.base.levels import FloatArray, amplitude_ratio, amplitude_ratio_db, power_mean_db
from roomeq.device.crossover import CrossoverFilter, chain_response, high_pass_change_db
from roomeq.jobs.drive.bands import room_data
from roomeq.optimiser.bands.fit_data import FitData
from roomeq.optimiser.bands.reasons import band_axis, cancelled_bands
from roomeq.optimiser.drive.demand import estimate_volume_db, wanted_by_band_db
from roomeq.optimiser.drive.headroom import Headroom, estimate_headroom
from roomeq.optimiser.drive.protection import ProtectionChoice, choose_protection
from roomeq.room.equipment import WantedLevel
from roomeq.room.room import Room

LOWEST_BAND = 16.0  # Hz from which bands are looked at where the main seat has levels
_POINTS_IN_BAND = 9


def electrical_filters(
    room: Room, high_pass: CrossoverFilter | None
) -> tuple[CrossoverFilter, ...]:
    """Return the filters between signal and terminals; those of the box are acoustical."""
    path = (*room.path, high_pass)
    return tuple(one for one in path if one is not None and one.where.strip().lower() != "box")


class DriveScene:
    """The main seat by bands, as it was measured, and what is wanted there.

    Attributes
    ----------
    room : Room
    wanted : WantedLevel
    data : FitData
        What the bands are fitted to, behind the present high-pass.
    axis, level_db : ndarray, shape (F,)
        The main seat's measured level, 1/12-octave power smoothing; band levels as they are.
    bands : tuple of ThirdOctaveBand
        From 16 Hz, where the seat has levels, to the highest that is fitted.
    target_db, wanted_db : ndarray, shape (B,)
    uncounted : ndarray of bool, shape (B,)
        Bands that do not tell how loud it is: cancelled, in noise, or not fitted.
    voltages : ndarray, shape (B,), or None
        At the terminals while measuring; None where they are not known.
    left_out : tuple of str
        Labels of bands in which a level is wanted but none was measured.

    Raises
    ------
    ValueError
        If the main seat has no levels where the bands are, or a wanted level is given in none of
        its bands.
    """

    def __init__(self, room: Room, wanted: WantedLevel) -> None:
        self.room, self.wanted, self.data = room, wanted, room_data(room)
        survey = room.survey.of_source(room.source).of_seats([wanted.main_seat])
        lowest, highest = third_octave_band(LOWEST_BAND).lower, float(self.data.frequencies[-1])
        axis = common_axis(survey, lowest=lowest * (1.0 - 1e-9), highest=highest * (1.0 + 1e-9))
        target_db = room.target.curve_db(axis) - room.target.allowance_db(axis)
        if self.data.band_levels:
            self.bands = tuple(third_octave_band(float(frequency)) for frequency in axis)
        else:
            around = third_octave_bands(float(axis[0]), float(axis[-1]))
            self.bands = tuple(band for band in around if axis[0] <= band.centre <= axis[-1])
            target_db = band_levels_db(axis, target_db, bands=self.bands)
        self.axis, self.target_db = axis, target_db
        self.level_db = seat_levels_db(survey, at=axis)[0]
        self.wanted_db, self.left_out = wanted_by_band_db(
            wanted.spl_db, bands=self.bands, target_db=target_db
        )
        self.uncounted = _uncounted(room, self.data, self.bands)
        self.voltages = _voltages(room, self.bands)

    @property
    def centres(self) -> FloatArray:
        """Exact centres of the bands, shape (B,), in Hz."""
        return np.array([band.centre for band in self.bands])

    @property
    def flat_gains_db(self) -> FloatArray:
        """Gains of the equaliser with all bands at 0."""
        return np.zeros(len(self.room.equaliser.bands))

    def headroom(
        self,
        gains_db: FloatArray,
        high_pass: CrossoverFilter | None,
        *,
        quieter_db: float = 0.0,
    ) -> Headroom:
        """Return the headroom at the wanted level, or below it, with gains and a high-pass."""
        room, wanted, before = self.room, self.wanted, self.room.equipment.protection
        equaliser, present = room.equaliser, room.present.gains_db
        change = self._response_db(gains_db) - self._response_db(present)
        change = change + high_pass_change_db(before, high_pass, self.axis)
        predicted = self.level_db + change
        if not self.data.band_levels:
            predicted = band_levels_db(self.axis, predicted, bands=self.bands)
        gained = equaliser.response_db(gains_db, self.centres)
        filtered = high_pass_change_db(before, high_pass, self.centres)
        change = gained - equaliser.response_db(present, self.centres) + filtered
        wanted_db, asked = self.wanted_db - quieter_db, None
        if wanted.distance is not None:
            # what the room takes and the equaliser puts back must come from the driver
            mean_db = self.data.response_db(equaliser, gains_db) @ self.data.frequency_weights
            adds = [wanted.room_gain_db.get(band.label, 0.0) for band in self.bands]
            asked = wanted_db + float(amplitude_ratio_db(wanted.distance))
            asked = asked + (gained - mean_db + filtered) - np.array(adds)
        volume = estimate_volume_db(
            wanted_db,
            predicted_db=predicted,
            target_db=self.target_db,
            cancelled=self.uncounted,
        )
        return estimate_headroom(
            self.bands,
            wanted_db=wanted_db,
            reached_db=predicted + volume,
            rise_db=change + volume,
            equipment=room.equipment,
            voltages=self.voltages,
            distortion=wanted.distortion,
            asked_db=asked,
            room_gain_known=asked is not None and bool(wanted.room_gain_db),
        )

    def _response_db(self, gains_db: FloatArray) -> FloatArray:
        """Return the bands' response on the seat's axis; power means in bands for band levels."""
        if not self.data.band_levels:
            return self.room.equaliser.response_db(gains_db, self.axis)
        places = np.linspace(-0.5, 0.5, _POINTS_IN_BAND)
        points = (self.axis[:, np.newaxis] * 10.0 ** (0.1 * places)).ravel()
        inside = self.room.equaliser.response_db(gains_db, points)
        return power_mean_db(inside.reshape(self.axis.size, -1), axis=1)

    def protection(self, gains_db: FloatArray) -> ProtectionChoice:
        """Return the high-pass that goes with gains; judged behind the present one."""
        equipment = self.room.equipment
        return choose_protection(
            self.room.device.protection,
            present=equipment.protection,
            present_known=equipment.protection_known,
            headroom=self.headroom(gains_db, equipment.protection),
            box=equipment.box,
        )


def _uncounted(room: Room, data: FitData, bands: tuple[ThirdOctaveBand, ...]) -> NDArray[np.bool_]:
    """Return the bands that do not tell how loud it is: cancelled, in noise, or not fitted."""
    marked = cancelled_bands(data, room.equaliser)

    def is_heard(band: ThirdOctaveBand) -> bool:
        weights = data.frequency_weights[band_axis(data, band)]
        return bool(weights.size and weights.mean() >= 0.5 * data.frequency_weights.max())

    return np.array([band in marked or not is_heard(band) for band in bands])


def _voltages(room: Room, bands: tuple[ThirdOctaveBand, ...]) -> FloatArray | None:
    """Return the voltage at the terminals while measuring, at each band's centre, in V.

    None where it is not known.
    """
    equipment, gains_db = room.equipment, room.present.gains_db
    if equipment.measuring_voltage is None or equipment.measuring_frequency is None:
        return None
    axis = np.array([equipment.measuring_frequency, *(band.centre for band in bands)])
    filters = electrical_filters(room, equipment.protection)
    path_db = room.equaliser.response_db(gains_db, axis)
    path_db = path_db + amplitude_ratio_db(chain_response(filters, axis))
    return np.asarray(equipment.measuring_voltage * amplitude_ratio(path_db[1:] - path_db[0]))
