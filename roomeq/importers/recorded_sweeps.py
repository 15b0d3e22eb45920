"""Recorded sweeps of a room file: from the sound file to a response with its quality.

Conventions
-----------
Frequencies in Hz, times in s, levels in dB. Every recording is judged while it is read. Nothing is
repaired in silence: what is wrong with a recording becomes a finding, one that says nothing of its
seat is left out, and drift that was mended is said to be.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property

from roomeq.analysis.recordings.drift import mend_clock_drift, mended_finding
from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.analysis.recordings.quality import judge_recording
from roomeq.analysis.recordings.repeats import Trace
from roomeq.analysis.sweeps.calibration import (
    MicrophoneSensitivity,
    estimate_sensitivity,
    sensitivity_from_dbfs,
)
from roomeq.analysis.sweeps.decay import estimate_decay
from roomeq.analysis.sweeps.deconvolution import ExcitationInverse, prepare_inverse
from roomeq.analysis.sweeps.distortion import estimate_distortion
from roomeq.analysis.sweeps.response import SweepMeasurement, estimate_sweep_response
from roomeq.base.errors import MeasurementFileError
from roomeq.base.recording import Recording, SweepDescription
from roomeq.base.response import FrequencyResponse
from roomeq.importers.room_file.file import RoomFile
from roomeq.importers.room_file.schema import MeasurementTable, SweepTable
from roomeq.importers.sweep_files import (
    read_channels,
    read_recording,
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
        Whether impulse response and decay of every recording are wanted too.
    measurements : dict of str to SweepMeasurement
        What each file gave, by its name.
    recordings : list of RecordedSweep
        What each recording is worth, in the order of reading.
    """

    room_file: RoomFile
    detail: bool = False
    measurements: dict[str, SweepMeasurement] = field(default_factory=dict)
    recordings: list[RecordedSweep] = field(default_factory=list)
    _earlier: list[Trace] = field(default_factory=list)

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
        quality = judge_recording(
            recording, self.excitation, loopback=loopback, earlier=self._earlier
        )
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
                mended_by = _BY_RESAMPLING
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
        if not disturbed:
            kept = self._in_detail(kept, recording, found)
        self.recordings.append(kept)
        return found.response, found.notes

    def _in_detail(
        self, kept: RecordedSweep, recording: Recording, found: SweepMeasurement
    ) -> RecordedSweep:
        """Add distortion where the first sweep is whole, and decay where an octave is covered."""
        if self.detail or self.room_file.headroom is not None:
            start = found.starts[0]
            with suppress(ValueError):
                distortion = estimate_distortion(recording, sweep=self.excitation, start=start)
                kept = replace(kept, distortion=distortion)
        if self.detail:
            response = found.impulse_response
            kept = replace(kept, impulse_response=response, window=found.window)
            with suppress(ValueError):
                kept = replace(kept, decay=estimate_decay(response))
        return kept

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
        try:
            return prepare_inverse(
                self.excitation,
                sample_rate=recording.sample_rate,
                frames=recording.samples.size,
                highest=self._table.highest,
            )
        except ValueError as error:
            remedy = "is this the sweep that was played?"
            raise MeasurementFileError(str(error), path=recording.path, remedy=remedy) from error
