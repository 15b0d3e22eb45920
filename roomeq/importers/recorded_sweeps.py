"""Recorded sweeps of a room file: from the sound file to a response with its quality.

Conventions
-----------
Frequencies in Hz, times in s, levels in dB. The excitation's inverse is kept and used for every
recording of the same rate. Every recording is judged while it is read. Nothing is repaired in
silence: what is wrong with a recording becomes a finding, one that says nothing of its seat is left
out, and drift that was mended is said to be.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property

from roomeq.analysis.recordings.drift import mend_clock_drift, mended_finding
from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.analysis.recordings.quality import RecordingJudge
from roomeq.analysis.sweeps.calibration import (
    MicrophoneSensitivity,
    estimate_sensitivity,
    sensitivity_from_dbfs,
)
from roomeq.analysis.sweeps.decay import estimate_decay
from roomeq.analysis.sweeps.deconvolution import ExcitationInverse, prepare_inverse
from roomeq.analysis.sweeps.distortion import Distortion, estimate_distortion
from roomeq.analysis.sweeps.response import SweepMeasurement, estimate_sweep_response
from roomeq.base.errors import MeasurementFileError
from roomeq.base.recording import Recording, SweepDescription
from roomeq.base.response import FrequencyResponse
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.schema import MeasurementTable, SweepTable
from roomeq.importers.sweep_files import (
    read_channels,
    read_recording,
    read_sound_facts,
    read_sweep_description,
)
from roomeq.room.recorded import RecordedSweep, is_wrong

_BY_LOOPBACK = "dividing by the loopback, which drifts alike"
_BY_RESAMPLING = "resampling to the player's clock"


@dataclass(kw_only=True)
class SweepReading:
    """Reads the recorded sweeps of one room file, one after the other.

    Attributes
    ----------
    room_file : RoomFile
        With a table ``[sweep]``.
    detail : bool
        Whether decay and distortion of every recording are wanted too.
    measurements : dict of str to SweepMeasurement
        What each file gave, by its name, for distortion and decay.
    recordings : list of RecordedSweep
        What each recording is worth, in the order of reading.
    """

    room_file: RoomFile
    detail: bool = False
    measurements: dict[str, SweepMeasurement] = field(default_factory=dict)
    recordings: list[RecordedSweep] = field(default_factory=list)
    _inverses: dict[int, ExcitationInverse] = field(default_factory=dict)
    _mended_ppm: dict[str, float] = field(default_factory=dict)

    def __call__(self, entry: MeasurementTable) -> tuple[FrequencyResponse | None, tuple[str, ...]]:
        """Return the response of one recording, and what was done to get it.

        Returns
        -------
        response : FrequencyResponse or None
            None where the recording says nothing of its seat.
        notes : tuple of str
            What was done, or why it is left out.

        Raises
        ------
        MeasurementFileError
            If a file cannot be read or the excitation is not in it.
        ValueError
            If rate or channel do not fit.
        """
        path = self.room_file.resolve(entry.file)
        named = [entry.channel or 1, *filter(None, [entry.loopback_channel])]
        recording, *others = read_channels(path, named)
        loopback = others[0] if others else None
        quality = self._judge(recording, loopback=loopback)
        kept = RecordedSweep(
            seat=entry.seat or "",
            source=entry.source,
            file=entry.file,
            quality=quality,
            findings=quality.findings,
        )
        wrong = is_wrong(quality.findings)
        if wrong is not None:
            self.recordings.append(replace(kept, left_out=True))
            return None, (f"{wrong.what}; {wrong.remedy}",)
        drift = next(iter(quality.found(FindingCode.CLOCK_DRIFT)), None)
        if drift is not None and (loopback is not None or drift.severity is not Severity.NOTE):
            mended_by = _BY_LOOPBACK
            if loopback is None and quality.drift is not None:
                self._mended_ppm[entry.file], mended_by = quality.drift.ppm, _BY_RESAMPLING
                recording = mend_clock_drift(recording, drift_ppm=quality.drift.ppm)
            after = mended_finding(drift, by=mended_by)
            findings = tuple(after if one is drift else one for one in quality.findings)
            kept = replace(kept, findings=findings, drift_mended_by=mended_by)
        disturbances = quality.found(FindingCode.DISTURBANCE)
        disturbed = any(one.severity is not Severity.NOTE for one in disturbances)
        found = estimate_sweep_response(
            recording,
            inverse=self._inverse(recording),
            loopback=loopback,
            sensitivity=self.sensitivity,
            disturbed=disturbed,
        )
        self.measurements[entry.file] = found
        if self.detail and not disturbed:
            kept = self._in_detail(kept, recording, found)
        self.recordings.append(kept)
        return found.response, found.notes

    def _in_detail(
        self, kept: RecordedSweep, recording: Recording, found: SweepMeasurement
    ) -> RecordedSweep:
        """Add decay by octaves, where one is covered, and distortion where the first is whole."""
        impulse_response = found.impulse_response
        kept = replace(kept, impulse_response=impulse_response, window=found.window)
        with suppress(ValueError):
            kept = replace(kept, decay=estimate_decay(impulse_response))
        with suppress(ValueError):
            kept = replace(kept, distortion=self._distortion(recording, found))
        return kept

    def _distortion(self, recording: Recording, found: SweepMeasurement) -> Distortion:
        return estimate_distortion(recording, sweep=self.excitation, start=found.starts[0])

    @cached_property
    def _judge(self) -> RecordingJudge:
        return RecordingJudge(sweep=self.excitation)

    def distortion(self, entry: MeasurementTable) -> Distortion | None:
        """Return the distortion in a recording that was read before.

        Returns
        -------
        Distortion or None
            Of its first sweep; None where that is not exponential.

        Raises
        ------
        MeasurementFileError
            If a file cannot be read.
        ValueError
            If the recording was not read before, was left out, holds something else besides the
            sweep, or ends before the sweep does.
        """
        found = self.measurements.get(entry.file)
        if found is None:
            raise ValueError(f"{entry.file!r} was not read, or left out")
        if any(one.spoilt for one in self.recordings if one.file == entry.file):
            raise ValueError("the recording is spoilt")
        recording = read_recording(self.room_file.resolve(entry.file), channel=entry.channel or 1)
        if entry.file in self._mended_ppm:
            recording = mend_clock_drift(recording, drift_ppm=self._mended_ppm[entry.file])
        if not self._inverse(recording).excitation.growth > 0:
            return None
        return self._distortion(recording, found)

    @cached_property
    def excitation(self) -> SweepDescription | Recording:
        """What was played.

        Raises
        ------
        MeasurementFileError
            If its file cannot be read.
        """
        table = self._table
        if table.description is not None:
            return read_sweep_description(self.room_file.resolve(table.description))
        return read_recording(self.room_file.resolve(table.reference or ""))

    @property
    def _table(self) -> SweepTable:
        if self.room_file.sweep is None:
            raise self.room_file.fault("it is not said what was played", "measurements")
        return self.room_file.sweep

    @cached_property
    def sensitivity(self) -> MicrophoneSensitivity | None:
        """What full scale is worth, or None where nothing tells."""
        table = self.room_file.calibration
        if table is None:
            return None
        if table.level_dbfs is not None:
            return sensitivity_from_dbfs(
                table.level_dbfs, level_db=table.level_db, same_gain=table.same_gain
            )
        return estimate_sensitivity(
            read_recording(self.room_file.resolve(table.file or ""), channel=table.channel),
            level_db=table.level_db,
            frequency=table.frequency,
            same_gain=table.same_gain,
        )

    def _inverse(self, recording: Recording) -> ExcitationInverse:
        """Return the inverse for a recording's rate, long enough for the longest of them."""
        rate = recording.sample_rate
        if rate not in self._inverses:
            sweeps = [one.file for one in self.room_file.measurements if one.kind == "sweep"]
            facts = [read_sound_facts(self.room_file.resolve(file)) for file in sweeps]
            frames = [recording.samples.size, *(f.frames for f in facts if f.sample_rate == rate)]
            try:
                self._inverses[rate] = prepare_inverse(
                    self.excitation,
                    sample_rate=rate,
                    frames=max(frames),
                    highest=self._table.highest,
                )
            except ValueError as error:
                raise MeasurementFileError(
                    str(error), path=recording.path, remedy="is this the sweep that was played?"
                ) from error
        return self._inverses[rate]
