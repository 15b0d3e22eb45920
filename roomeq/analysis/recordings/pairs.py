"""Two channels or two recordings against each other: swapped, or the same.

Conventions
-----------
Two recordings are the same where what remains of one after the other, at its best gain and shift,
has been taken from it lies well below the noise of either: two measurements share the room, never
the noise. Comparison is made within the usable band at the low rate, so that cutting, another gain
or another sample format do not hide it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.model import SweepModel
from roomeq.analysis.recordings.noise import NoiseLevels
from roomeq.analysis.recordings.timing import ROOM_LATE, late_share, looks_electrical
from roomeq.base.levels import FloatArray
from roomeq.base.recording import Recording

_SAME = 0.1  # of the noise power
_ALIKE_DB = 0.5  # levels of third octaves, before samples are compared
_SHORTEST = 1.0  # s
_EXACT = 1e-7  # of the signal's power, where no noise is known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """What is kept of a recording to tell it from others: some hundred kilobytes.

    Attributes
    ----------
    name : str
        File and channel.
    signal : ndarray of float32, shape (N,)
        The recording within the sweep's band at the low rate.
    low_rate : float
        Hz.
    start : float
        When the sweep begins, in s.
    signal_db : ndarray, shape (B,)
        Level by third octave.
    noise_power : float
        Mean square of the noise within the band; nan where it is not known.
    """

    name: str
    signal: np.ndarray[tuple[int], np.dtype[np.float32]]
    low_rate: float
    start: float
    signal_db: FloatArray
    noise_power: float


def recording_trace(model: SweepModel, noise: NoiseLevels) -> Trace:
    """Return what is kept of a recording."""
    power = 10.0 ** (noise.noise_db / 10.0)
    return Trace(
        name=model.view.recording.place,
        signal=model.band_signal.astype(np.float32),
        low_rate=model.low_rate,
        start=model.starts[0],
        signal_db=noise.signal_db,
        noise_power=0.5 * float(power.sum()),
    )


def same_as_earlier(
    recording: Recording, other: Trace, earlier: Sequence[Trace]
) -> Iterator[Finding]:
    """Return which earlier recordings a recording is the same as.

    Only those whose third-octave levels agree within 0.5 dB, but for a gain, are compared sample by
    sample.
    """
    for one in earlier:
        if one.low_rate != other.low_rate or one.signal_db.shape != other.signal_db.shape:
            continue
        away = one.signal_db - other.signal_db
        if not np.abs(away - np.median(away)).max() < _ALIKE_DB:
            continue
        rest, signal = _difference(one, other)
        noise = np.nanmin([one.noise_power, other.noise_power, math.inf])
        limit = max(_SAME * float(noise) if math.isfinite(noise) else 0.0, _EXACT * signal)
        if rest <= limit:
            margin = min(limit / max(rest, 1e-30), 1e3)
            yield Finding.of(
                FindingCode.SAME_RECORDING,
                Severity.FAULT,
                recording,
                what=f"the same recording as {one.name}: even the noise is the same",
                confidence=confidence_of(margin),
            )


def _difference(one: Trace, other: Trace) -> tuple[float, float]:
    """Return mean squares of what remains of the first, and of the first itself."""
    rate = one.low_rate
    shift = round((other.start - one.start) * rate)
    first, second = max(0, -shift), max(0, shift)
    size = min(one.signal.size - first, other.signal.size - second)
    if size < _SHORTEST * rate:
        return math.inf, 1.0
    a = one.signal[first : first + size].astype(np.float64)
    b = other.signal[second : second + size].astype(np.float64)
    taper = np.ones(size)  # shifting is circular: keep the ends out of it
    edge = min(size // 8, round(0.25 * rate))
    taper[:edge] = np.linspace(0.0, 1.0, edge)
    taper[-edge:] = taper[:edge][::-1]
    spectra = np.fft.rfft(a * taper), np.fft.rfft(b * taper)
    cross = spectra[0] * np.conj(spectra[1])
    bins = np.arange(cross.size, dtype=np.float64)
    weight = np.abs(cross)
    whole = np.fft.irfft(cross, size)
    lag = int(np.argmax(np.abs(whole)))
    cross = cross * np.sign(whole[lag])  # polarity is a gain too
    turn = -2.0 * np.pi * (lag if lag < size // 2 else lag - size) / size
    for _ in range(3):
        rest = cross * np.exp(-1j * turn * bins)
        turn += float(np.sum(weight * bins * np.angle(rest)) / np.sum(weight * bins**2))
    moved = spectra[1] * np.exp(1j * turn * bins)
    gain = float(np.real(np.vdot(moved, spectra[0]))) / float(np.sum(np.abs(moved) ** 2))
    left = np.fft.irfft(spectra[0] - gain * moved, size)[edge : size - edge]
    return float(np.mean(left**2)), float(np.mean(a**2))


def channel_findings(model: SweepModel, loopback: SweepModel | None) -> Iterator[Finding]:
    """Return whether the microphone's channel holds the loopback, or the loopback's a room."""
    margin = looks_electrical(model)
    if margin < 1.0:
        late = 0.0 if loopback is None else late_share(loopback)
        if loopback is None or late < ROOM_LATE:
            return
        yield Finding.of(
            FindingCode.NOT_A_LOOPBACK,
            Severity.FAULT,
            loopback.view.recording,
            what=f"the loopback's channel holds a room: {100 * late:.1f} % of its energy comes "
            "later than 60 ms, as of a second microphone",
            confidence=confidence_of(late / ROOM_LATE),
            value=late,
        )
        return
    swapped = loopback is not None and looks_electrical(loopback) < 1.0
    code = FindingCode.CHANNELS_SWAPPED if swapped else FindingCode.NO_ROOM_HEARD
    words = "and the loopback's channel holds a room" if swapped else "no room is heard in it"
    yield Finding.of(
        code,
        Severity.FAULT,
        model.view.recording,
        what=f"the microphone's channel is as flat and short as a wire, {words}",
        confidence=confidence_of(min(margin, 100.0)) if swapped else 0.7,
    )
