"""Recorded sweeps of a room file: from the sound file to a response with its quality.

Conventions
-----------
Frequencies in Hz, times in s, levels in dB. The excitation's inverse is kept and used for every
recording of the same rate. Nothing is repaired: what is wrong with a recording becomes a finding.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from roomeq.analysis.deconvolution import ExcitationInverse, prepare_inverse
from roomeq.analysis.distortion import Distortion, estimate_distortion
from roomeq.analysis.sweep_response import SweepMeasurement, estimate_sweep_response
from roomeq.errors import MeasurementFileError
from roomeq.importers.level_calibration import (
    MicrophoneSensitivity,
    estimate_sensitivity,
    sensitivity_from_dbfs,
)
from roomeq.importers.room_file import RoomFile
from roomeq.importers.room_schema import MeasurementTable
from roomeq.importers.sweep_files import read_recording, read_sound_facts, read_sweep_description
from roomeq.recording import Recording, SweepDescription
from roomeq.response import FrequencyResponse

__all__ = ["SweepReading"]


@dataclass(kw_only=True)
class SweepReading:
    """Reads the recorded sweeps of one room file, one after the other.

    Attributes
    ----------
    room_file : RoomFile
        With a table ``[sweep]``.
    measurements : dict of str to SweepMeasurement
        What each file gave, by its name, for distortion and decay.
    """

    room_file: RoomFile
    measurements: dict[str, SweepMeasurement] = field(default_factory=dict)
    _excitation: SweepDescription | Recording | None = None
    _inverses: dict[int, ExcitationInverse] = field(default_factory=dict)
    _sensitivity: MicrophoneSensitivity | None = None

    def __call__(self, entry: MeasurementTable) -> tuple[FrequencyResponse, tuple[str, ...]]:
        """Return the response of one recording, and what was done to get it.

        Raises
        ------
        MeasurementFileError
            If a file cannot be read or the excitation is not in it.
        ValueError
            If rate or channel do not fit.
        """
        path = self.room_file.resolve(entry.file)
        recording = read_recording(path, channel=entry.channel or 1)
        loopback = None
        if entry.loopback_channel is not None:
            loopback = read_recording(path, channel=entry.loopback_channel)
        found = estimate_sweep_response(
            recording,
            inverse=self._inverse(recording),
            loopback=loopback,
            sensitivity=self.sensitivity,
        )
        self.measurements[entry.file] = found
        return found.response, found.notes

    def distortion(self, entry: MeasurementTable) -> Distortion | None:
        """Return the distortion in a recording that was read before.

        Returns
        -------
        Distortion or None
            Of its first sweep; None where the excitation is a recording, not a described sweep.

        Raises
        ------
        MeasurementFileError
            If a file cannot be read.
        ValueError
            If the recording was not read before, or ends before the sweep does.
        """
        excitation = self.excitation
        if not isinstance(excitation, SweepDescription):
            return None
        found = self.measurements.get(entry.file)
        if found is None:
            raise ValueError(f"{entry.file!r} was not read yet")
        recording = read_recording(self.room_file.resolve(entry.file), channel=entry.channel or 1)
        return estimate_distortion(recording, sweep=excitation, start=found.starts[0])

    @property
    def excitation(self) -> SweepDescription | Recording:
        """What was played.

        Raises
        ------
        MeasurementFileError
            If its file cannot be read.
        """
        if self._excitation is None:
            table = self.room_file.sweep
            if table is None:
                raise self.room_file.fault("it is not said what was played", "measurements")
            if table.description is not None:
                self._excitation = read_sweep_description(self.room_file.resolve(table.description))
            else:
                self._excitation = read_recording(self.room_file.resolve(table.reference or ""))
        return self._excitation

    @property
    def sensitivity(self) -> MicrophoneSensitivity | None:
        """What full scale is worth, or None where nothing tells."""
        table = self.room_file.calibration
        if table is None or self._sensitivity is not None:
            return self._sensitivity
        if table.level_dbfs is not None:
            self._sensitivity = sensitivity_from_dbfs(
                table.level_dbfs, level_db=table.level_db, same_gain=table.same_gain
            )
        else:
            tone = read_recording(self.room_file.resolve(table.file or ""), channel=table.channel)
            self._sensitivity = estimate_sensitivity(
                tone,
                level_db=table.level_db,
                frequency=table.frequency,
                same_gain=table.same_gain,
            )
        return self._sensitivity

    def _inverse(self, recording: Recording) -> ExcitationInverse:
        """Return the inverse for a recording's rate, long enough for the longest of them."""
        rate = recording.sample_rate
        if rate not in self._inverses:
            table = self.room_file.sweep
            if table is None:
                raise self.room_file.fault("it is not said what was played", "measurements")
            frames = [recording.samples.size]
            for entry in self.room_file.measurements:
                if entry.kind == "sweep":
                    facts = read_sound_facts(self.room_file.resolve(entry.file))
                    if facts.sample_rate == rate:
                        frames.append(facts.frames)
            try:
                self._inverses[rate] = prepare_inverse(
                    self.excitation, sample_rate=rate, frames=max(frames), highest=table.highest
                )
            except ValueError as error:
                raise MeasurementFileError(
                    str(error), path=recording.path, remedy="is this the sweep that was played?"
                ) from error
        return self._inverses[rate]
