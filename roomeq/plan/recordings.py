"""What is said of recorded sweeps, as it is printed and kept in plans.

Conventions
-----------
Frozen records; unknown keys are refused. Times in s, frequencies in Hz, levels in dB, drift in ppm.
What is not known is None.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from roomeq.analysis.recordings.findings import Finding, Severity
from roomeq.base.bands import third_octave_band, whole_bands
from roomeq.base.record import Record
from roomeq.room.room import Room, recording_counts

if TYPE_CHECKING:
    from roomeq.analysis.sweeps.decay import Decay
    from roomeq.analysis.sweeps.distortion import Distortion

_LOWEST, _HIGHEST = 16.0, 250.0  # bands of the distortion that are shown


class RecordingRow(Record, frozen=True, kw_only=True):
    """One recorded sweep.

    Attributes
    ----------
    seat, source, file, channel : str, int
        Whose, and where it is.
    sample_rate, duration, peak_dbfs : float
        Hz, s, dBFS; the peak None where nothing moves.
    judged : bool
        Whether the sweep was known; else only the samples were looked at.
    bands, snr_db : tuple
        Signal-to-noise ratio of the response by third octave (ISO 18233).
    drift_ppm, drift_basis, drift_mended_by
        Clock drift, what it was read from, and what mended it; None where not known, or not mended.
    counts : float
        How much it counts in the fit: 1, 0.5 or 0; see `roomeq.room.room`.
    left_out : bool
        Whether it says nothing of its seat and so never became a measurement.
    findings : tuple of Finding
        Worst first.
    """

    seat: str
    source: str
    file: str
    channel: int
    sample_rate: int
    duration: float
    peak_dbfs: float | None
    judged: bool
    bands: tuple[str, ...]
    snr_db: tuple[float | None, ...]
    drift_ppm: float | None
    drift_basis: str | None
    drift_mended_by: str | None
    counts: float
    left_out: bool
    findings: tuple[Finding, ...]

    def check(self) -> None:
        """Raise ValueError unless its parts belong together."""
        if len(self.bands) != len(self.snr_db):
            raise ValueError(f"{self.file} needs one signal-to-noise ratio for each band")
        if not 0.0 <= self.counts <= 1.0:
            raise ValueError(f"{self.file} counts from 0 to 1, got {self.counts!r}")

    @property
    def alarms(self) -> tuple[Finding, ...]:
        """Findings that want a look: all but the notes."""
        return tuple(one for one in self.findings if one.severity is not Severity.NOTE)


class DecayRow(Record, frozen=True, kw_only=True):
    """Decay times of an octave, in s; whether the filter's own ringing governs."""

    label: str
    t20: float | None
    t30: float | None
    governed_by_filter: bool


class DistortionRow(Record, frozen=True, kw_only=True):
    """Orders 2 to 5 of a third octave in dB below the fundamental, and all of them in per cent.

    None is an order that the noise hides, or that the recording cannot carry.
    """

    label: str
    orders_db: tuple[float | None, ...]
    total_percent: float | None


class DetailRow(Record, frozen=True, kw_only=True):
    """Decay and distortion of one recording; empty where they cannot be told."""

    seat: str
    file: str
    decay: tuple[DecayRow, ...]
    distortion: tuple[DistortionRow, ...]


def recording_rows(room: Room) -> tuple[RecordingRow, ...]:
    """Return what is said of each recorded sweep of a room."""
    rows = []
    for recorded, counts in zip(room.recordings, recording_counts(room), strict=True):
        quality, drift = recorded.quality, recorded.quality.drift
        rows.append(
            RecordingRow.copied(
                recorded,
                quality,
                peak_dbfs=_known(quality.peak_dbfs),
                bands=tuple(band.label for band in quality.bands),
                snr_db=tuple(_known(ratio) for ratio in quality.snr_db.tolist()),
                drift_ppm=None if drift is None else _known(drift.ppm),
                drift_basis=None if drift is None else drift.basis,
                counts=counts,
            )
        )
    return tuple(rows)


def detail_rows(room: Room) -> tuple[DetailRow, ...]:
    """Return decay and distortion of each recording; both empty where they were not asked for."""
    return tuple(
        DetailRow.copied(
            recorded,
            decay=_decay_rows(recorded.decay),
            distortion=_distortion_rows(recorded.distortion),
        )
        for recorded in room.recordings
    )


def _decay_rows(decay: Decay | None) -> tuple[DecayRow, ...]:
    if decay is None:
        return ()
    return DecayRow.of_columns(
        label=[third_octave_band(centre).label for centre in decay.frequencies],
        t20=map(_known, decay.t20.tolist()),
        t30=map(_known, decay.t30.tolist()),
        governed_by_filter=decay.governed_by_filter,
    )


def _distortion_rows(distortion: Distortion | None) -> tuple[DistortionRow, ...]:
    from roomeq.analysis.sweeps.distortion import distortion_by_band

    if distortion is None:
        return ()
    axis = distortion.frequencies
    bands = whole_bands(_LOWEST, _HIGHEST, first=axis[0], last=axis[-1])
    ratios_db, total = distortion_by_band(distortion, bands=bands)
    return DistortionRow.of_columns(
        label=[band.label for band in bands],
        orders_db=[tuple(map(_known, ratios)) for ratios in ratios_db.T.tolist()],
        total_percent=map(_known, (100.0 * total).tolist()),
    )


def _known(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
