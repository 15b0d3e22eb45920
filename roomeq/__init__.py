"""Calibrate bass in real rooms: from microphone measurements to settings a device can take.

Names are loaded when they are first used, so that importing roomeq costs next to nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from roomeq.analysis.dips import judge_dips as judge_dips
    from roomeq.analysis.odd_seat import estimate_odd_seat as estimate_odd_seat
    from roomeq.analysis.seats import (
        estimate_band_statistics as estimate_band_statistics,
    )
    from roomeq.analysis.seats import (
        estimate_seat_statistics as estimate_seat_statistics,
    )
    from roomeq.analysis.seats import estimate_spatial_figures as estimate_spatial_figures
    from roomeq.analysis.smoothing import band_levels_db as band_levels_db
    from roomeq.analysis.smoothing import smooth_power_db as smooth_power_db
    from roomeq.analysis.survey_levels import common_axis as common_axis
    from roomeq.analysis.survey_levels import seat_levels_db as seat_levels_db
    from roomeq.device.crossover import CrossoverFilter as CrossoverFilter
    from roomeq.device.equaliser import FixedBandEqualiser as FixedBandEqualiser
    from roomeq.device.equaliser import QLaw as QLaw
    from roomeq.device.path import predict_path as predict_path
    from roomeq.device.profile import Device as Device
    from roomeq.errors import RoomeqError as RoomeqError
    from roomeq.errors import RoomeqWarning as RoomeqWarning
    from roomeq.importers.device_profile import read_device as read_device
    from roomeq.importers.text_export import read_text_export as read_text_export
    from roomeq.joining_proposal import RoomJoining as RoomJoining
    from roomeq.joining_proposal import join as join
    from roomeq.levels import level_mean_db as level_mean_db
    from roomeq.levels import power_mean_db as power_mean_db
    from roomeq.optimiser.band_gain_fit import BandGainFit as BandGainFit
    from roomeq.optimiser.band_gains import fit_band_gains as fit_band_gains
    from roomeq.optimiser.limits import Limits as Limits
    from roomeq.optimiser.loss import Loss as Loss
    from roomeq.optimiser.path import estimate_path as estimate_path
    from roomeq.optimiser.target import Target as Target
    from roomeq.overview import RoomOverview as RoomOverview
    from roomeq.overview import room_overview as room_overview
    from roomeq.plan import Plan as Plan
    from roomeq.plan import read_plan as read_plan
    from roomeq.plan import write_plan as write_plan
    from roomeq.proposal import fit_room_gains as fit_room_gains
    from roomeq.proposal import propose as propose
    from roomeq.response import FrequencyResponse as FrequencyResponse
    from roomeq.room import Room as Room
    from roomeq.room_reading import read_room as read_room
    from roomeq.room_reading import room_from_exports as room_from_exports
    from roomeq.survey import Measurement as Measurement
    from roomeq.survey import Survey as Survey
    from roomeq.verification import verify as verify
    from roomeq.verification_records import Verification as Verification

_PLACES = {
    "BandGainFit": "optimiser.band_gain_fit",
    "CrossoverFilter": "device.crossover",
    "Device": "device.profile",
    "FixedBandEqualiser": "device.equaliser",
    "FrequencyResponse": "response",
    "Limits": "optimiser.limits",
    "Loss": "optimiser.loss",
    "Measurement": "survey",
    "Plan": "plan",
    "QLaw": "device.equaliser",
    "Room": "room",
    "RoomJoining": "joining_proposal",
    "RoomOverview": "overview",
    "RoomeqError": "errors",
    "RoomeqWarning": "errors",
    "Survey": "survey",
    "Target": "optimiser.target",
    "Verification": "verification_records",
    "band_levels_db": "analysis.smoothing",
    "common_axis": "analysis.survey_levels",
    "estimate_band_statistics": "analysis.seats",
    "estimate_odd_seat": "analysis.odd_seat",
    "estimate_path": "optimiser.path",
    "estimate_seat_statistics": "analysis.seats",
    "estimate_spatial_figures": "analysis.seats",
    "fit_band_gains": "optimiser.band_gains",
    "fit_room_gains": "proposal",
    "join": "joining_proposal",
    "judge_dips": "analysis.dips",
    "level_mean_db": "levels",
    "power_mean_db": "levels",
    "predict_path": "device.path",
    "propose": "proposal",
    "read_device": "importers.device_profile",
    "read_plan": "plan",
    "read_room": "room_reading",
    "read_text_export": "importers.text_export",
    "room_from_exports": "room_reading",
    "room_overview": "overview",
    "seat_levels_db": "analysis.survey_levels",
    "smooth_power_db": "analysis.smoothing",
    "verify": "verification",
    "write_plan": "plan",
}

__all__ = sorted(_PLACES)


def __getattr__(name: str) -> Any:
    place = _PLACES.get(name)
    if place is None:
        raise AttributeError(f"module 'roomeq' has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(f"roomeq.{place}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
