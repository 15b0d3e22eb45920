"""Calibrate bass in real rooms: from microphone measurements to settings a device can take.

Names are loaded when they are first used, so that importing roomeq costs next to nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from roomeq.analysis.dips import judge_dips as judge_dips
    from roomeq.analysis.phase import estimate_group_delay as estimate_group_delay
    from roomeq.analysis.recordings.findings import FindingCode as FindingCode
    from roomeq.analysis.recordings.quality import judge_recording as judge_recording
    from roomeq.analysis.seats import estimate_band_statistics as estimate_band_statistics
    from roomeq.analysis.seats import estimate_odd_seat as estimate_odd_seat
    from roomeq.analysis.seats import estimate_seat_statistics as estimate_seat_statistics
    from roomeq.analysis.seats import estimate_spatial_figures as estimate_spatial_figures
    from roomeq.analysis.smoothing import band_levels_db as band_levels_db
    from roomeq.analysis.smoothing import smooth_power_db as smooth_power_db
    from roomeq.analysis.survey_levels import common_axis as common_axis
    from roomeq.analysis.survey_levels import seat_levels_db as seat_levels_db
    from roomeq.analysis.sweeps.calibration import estimate_sensitivity as estimate_sensitivity
    from roomeq.analysis.sweeps.decay import estimate_decay as estimate_decay
    from roomeq.analysis.sweeps.deconvolution import prepare_inverse as prepare_inverse
    from roomeq.analysis.sweeps.distortion import estimate_distortion as estimate_distortion
    from roomeq.analysis.sweeps.response import estimate_sweep_response as estimate_sweep_response
    from roomeq.analysis.sweeps.response import frequency_response as frequency_response
    from roomeq.analysis.sweeps.windowing import ImpulseWindow as ImpulseWindow
    from roomeq.base.errors import RoomeqError as RoomeqError
    from roomeq.base.errors import RoomeqWarning as RoomeqWarning
    from roomeq.base.levels import level_mean_db as level_mean_db
    from roomeq.base.levels import power_mean_db as power_mean_db
    from roomeq.base.response import FrequencyResponse as FrequencyResponse
    from roomeq.base.survey import Measurement as Measurement
    from roomeq.base.survey import Survey as Survey
    from roomeq.device.crossover import CrossoverFilter as CrossoverFilter
    from roomeq.device.equaliser import FixedBandEqualiser as FixedBandEqualiser
    from roomeq.device.equaliser import QLaw as QLaw
    from roomeq.device.path import predict_path as predict_path
    from roomeq.device.profile import Device as Device
    from roomeq.importers.device_profile import read_device as read_device
    from roomeq.importers.room import read_room as read_room
    from roomeq.importers.room import room_from_exports as room_from_exports
    from roomeq.importers.sweep_files import read_recording as read_recording
    from roomeq.importers.sweep_files import read_sweep_description as read_sweep_description
    from roomeq.importers.text.export import read_text_export as read_text_export
    from roomeq.importers.text.microphone import apply_microphone as apply_microphone
    from roomeq.importers.text.microphone import read_microphone as read_microphone
    from roomeq.jobs.check import RoomOverview as RoomOverview
    from roomeq.jobs.check import room_overview as room_overview
    from roomeq.jobs.compare import compare as compare
    from roomeq.jobs.decay import room_decays as room_decays
    from roomeq.jobs.device import DeviceMeasurement as DeviceMeasurement
    from roomeq.jobs.device import measure_device as measure_device
    from roomeq.jobs.device import write_measured_profile as write_measured_profile
    from roomeq.jobs.join import RoomJoining as RoomJoining
    from roomeq.jobs.join import join as join
    from roomeq.jobs.joining.steps import joining_data as joining_data
    from roomeq.jobs.joining.steps import joining_offer as joining_offer
    from roomeq.jobs.places import RoomPlaces as RoomPlaces
    from roomeq.jobs.places import rank_places as rank_places
    from roomeq.jobs.propose import fit_room_gains as fit_room_gains
    from roomeq.jobs.propose import propose as propose
    from roomeq.jobs.verify import verify as verify
    from roomeq.optimiser.bands.fit import BandGainFit as BandGainFit
    from roomeq.optimiser.bands.gains import fit_band_gains as fit_band_gains
    from roomeq.optimiser.bands.problem import BoostCap as BoostCap
    from roomeq.optimiser.bands.task import weighted_deviation_db as weighted_deviation_db
    from roomeq.optimiser.joining.alignment import align as align
    from roomeq.optimiser.joining.summation import judge_sum as judge_sum
    from roomeq.optimiser.path.estimation import estimate_path as estimate_path
    from roomeq.plan.plan import Plan as Plan
    from roomeq.plan.plan import read_plan as read_plan
    from roomeq.plan.plan import write_plan as write_plan
    from roomeq.plan.verification import Comparison as Comparison
    from roomeq.plan.verification import Verification as Verification
    from roomeq.room.room import Room as Room
    from roomeq.wanted.limits import Limits as Limits
    from roomeq.wanted.loss import Loss as Loss
    from roomeq.wanted.target import Target as Target

_PLACES = {
    "BandGainFit": "optimiser.bands.fit",
    "BoostCap": "optimiser.bands.problem",
    "Comparison": "plan.verification",
    "CrossoverFilter": "device.crossover",
    "Device": "device.profile",
    "DeviceMeasurement": "jobs.device",
    "FindingCode": "analysis.recordings.findings",
    "FixedBandEqualiser": "device.equaliser",
    "FrequencyResponse": "base.response",
    "ImpulseWindow": "analysis.sweeps.windowing",
    "Limits": "wanted.limits",
    "Loss": "wanted.loss",
    "Measurement": "base.survey",
    "Plan": "plan.plan",
    "QLaw": "device.equaliser",
    "Room": "room.room",
    "RoomJoining": "jobs.join",
    "RoomOverview": "jobs.check",
    "RoomPlaces": "jobs.places",
    "RoomeqError": "base.errors",
    "RoomeqWarning": "base.errors",
    "Survey": "base.survey",
    "Target": "wanted.target",
    "Verification": "plan.verification",
    "align": "optimiser.joining.alignment",
    "apply_microphone": "importers.text.microphone",
    "band_levels_db": "analysis.smoothing",
    "common_axis": "analysis.survey_levels",
    "compare": "jobs.compare",
    "estimate_band_statistics": "analysis.seats",
    "estimate_decay": "analysis.sweeps.decay",
    "estimate_distortion": "analysis.sweeps.distortion",
    "estimate_group_delay": "analysis.phase",
    "estimate_odd_seat": "analysis.seats",
    "estimate_path": "optimiser.path.estimation",
    "estimate_seat_statistics": "analysis.seats",
    "estimate_sensitivity": "analysis.sweeps.calibration",
    "estimate_spatial_figures": "analysis.seats",
    "estimate_sweep_response": "analysis.sweeps.response",
    "fit_band_gains": "optimiser.bands.gains",
    "fit_room_gains": "jobs.propose",
    "frequency_response": "analysis.sweeps.response",
    "join": "jobs.join",
    "joining_data": "jobs.joining.steps",
    "joining_offer": "jobs.joining.steps",
    "judge_dips": "analysis.dips",
    "judge_recording": "analysis.recordings.quality",
    "judge_sum": "optimiser.joining.summation",
    "level_mean_db": "base.levels",
    "measure_device": "jobs.device",
    "power_mean_db": "base.levels",
    "predict_path": "device.path",
    "prepare_inverse": "analysis.sweeps.deconvolution",
    "propose": "jobs.propose",
    "rank_places": "jobs.places",
    "read_device": "importers.device_profile",
    "read_microphone": "importers.text.microphone",
    "read_plan": "plan.plan",
    "read_recording": "importers.sweep_files",
    "read_room": "importers.room",
    "read_sweep_description": "importers.sweep_files",
    "read_text_export": "importers.text.export",
    "room_decays": "jobs.decay",
    "room_from_exports": "importers.room",
    "room_overview": "jobs.check",
    "seat_levels_db": "analysis.survey_levels",
    "smooth_power_db": "analysis.smoothing",
    "verify": "jobs.verify",
    "weighted_deviation_db": "optimiser.bands.task",
    "write_measured_profile": "jobs.device",
    "write_plan": "plan.plan",
}

__all__ = sorted(_PLACES)


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name in ("batch", "plots"):
        return import_module(f"roomeq.{name}")
    place = _PLACES.get(name)
    if place is None:
        raise AttributeError(f"module 'roomeq' has no attribute {name!r}")
    value = getattr(import_module(f"roomeq.{place}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
