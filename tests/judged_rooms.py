"""Recordings and rooms with findings put into them by hand: no sound is made or judged."""

import tempfile
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity
from roomeq.analysis.recordings.quality import RecordingQuality
from roomeq.base.bands import third_octave_bands
from roomeq.base.recording import Recording
from roomeq.base.response import FrequencyResponse
from roomeq.base.survey import Measurement, Survey
from roomeq.importers.room import room_from_exports
from roomeq.room.recorded import RecordedSweep

ONE = Recording(samples=np.zeros(2), sample_rate=48000, path="seat.flac")
BANDS = third_octave_bands(16.0, 315.0)


def found(code, severity=Severity.FAULT, band=None):
    return Finding.of(code, severity, ONE, what="something", confidence=0.9, band=band)


def recorded(*findings, snr_db=None):
    snr = np.full(len(BANDS), 40.0) if snr_db is None else np.asarray(snr_db)
    quality = RecordingQuality(
        channel=1,
        sample_rate=48000,
        duration=19.0,
        starts=(7.0,),
        peak_dbfs=-12.0,
        bands=BANDS,
        snr_db=snr,
        drift=None,
        findings=findings,
    )
    return RecordedSweep(
        seat="sofa", source="sub", file="seat.flac", quality=quality, findings=findings
    )


AXIS = np.geomspace(15.0, 300.0, 200)
SLAM = found(FindingCode.DISTURBANCE)


@lru_cache(maxsize=1)
def plain():
    """A room of one text export, to put recordings into."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "seat.txt"
        path.write_text("\n".join(f"{f:.3f} 80" for f in AXIS), encoding="utf-8")
        return room_from_exports([path])


def room(entries, *, weights=None):
    """A room of (seat, source, file, findings, left out)."""
    recordings, measurements = [], []
    response = FrequencyResponse.from_level(AXIS, np.full(AXIS.size, 80.0))
    for seat, source, file, findings, left_out in entries:
        one = recorded(*findings)
        recordings.append(replace(one, seat=seat, source=source, file=file, left_out=left_out))
        if not left_out:
            measurements.append(Measurement(seat=seat, source=source, response=response, file=file))
    survey = Survey(measurements=tuple(measurements), seat_weights=weights)
    return replace(plain(), survey=survey, recordings=tuple(recordings))


def sound(seat, file, source="sub"):
    return seat, source, file, (), False


def spoilt(seat, file, source="sub"):
    return seat, source, file, (SLAM,), False
