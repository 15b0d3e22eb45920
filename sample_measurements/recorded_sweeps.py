"""Recordings of sweeps in an invented room: what two channels of an audio interface hold.

Conventions
-----------
Samples are fractions of full scale, time is in s, frequencies are in Hz, the last axis is samples
or frequency. Channel 1 is the microphone, channel 2 the loopback. Pressure is in units of 20
micropascals (rms), so that a steady sine at the sweep's level has the level of ``truth/``. The
chain, in order::

    cone  = low-pass x present band gains x sweep, less a cube of the excursion (third harmonic)
    mic   = cone x box x room x microphone + slam + room noise + microphone noise
    both  = converter x (mic, loopback cable), later by the latency, rounded to 16 bits

The sweep is written out here a second time on purpose, as are the filters in `signal_chain`.
Random numbers are Box-Muller pairs from the raw bits of PCG64, whose sequence numpy promises to
keep. On another processor or release of numpy a sample may differ by one step.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from modal_room import Point
from numpy.typing import NDArray

__all__ = [
    "CARRIED",
    "Recorder",
    "SeatChain",
    "Slam",
    "calibrator_tone",
    "driven",
    "flac_bytes",
    "heard",
    "loopback",
    "played",
    "recorded",
    "recording_notes",
    "slam_heard",
    "third_harmonic_db",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

RATE = 48000
_RESPONSE = 2**17  # samples: 2.7 s, in which the longest decay has fallen by far more than 120 dB
_AHEAD = 4800  # samples that belong before time zero: the band's upper edge rings
_STEP = RATE / _RESPONSE
_FADE, _HIGHEST = 560.0, 640.0  # what a low-pass at 80 Hz leaves up here does not matter
CARRIED: FloatArray = _STEP * np.arange(1.0, math.floor(_HIGHEST / _STEP) + 1.0)
"""Frequencies at which a room's response is needed, in Hz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slam:
    """A door that falls shut in the middle of a sweep.

    Attributes
    ----------
    file : str
        The recording that it spoils.
    place : tuple of float
        The door, m.
    sweep_at : float
        Where the sweep is at that moment, Hz.
    peak_db : float
        Peak of the thump, 1 m away in a free field, dB re 20 micropascals.
    """

    file: str
    place: Point
    sweep_at: float
    peak_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorder:
    """What nobody knows of the recordings of a room.

    Attributes
    ----------
    latency : float
        From a sample played to the same sample recorded, loopback cable, s.
    coupling : float
        Corner of the converter's first-order high-pass, Hz; both channels pass it.
    loopback_gain_db : float
    full_scale_db : float
        Level of the sine that reaches full scale, dB SPL.
    third_harmonic : float
        What the driver adds at full excursion, as a fraction of the drive.
    rumble_db : float
        Noise of the room at 20 Hz, dB SPL in 1 Hz; 9 dB an octave less above.
    microphone_noise_db, loopback_noise_dbfs : float
        White noise up to half the rate: dB SPL, and rms in dB of full scale.
    started : dict of str to float
        How long before the player each recording was started, s.
    moved : dict of str to tuple of float
        Where the microphone really stood for a recording, m, if not at its seat.
    slam : Slam
    """

    latency: float
    coupling: float
    loopback_gain_db: float
    full_scale_db: float
    third_harmonic: float
    rumble_db: float
    microphone_noise_db: float
    loopback_noise_dbfs: float
    started: dict[str, float]
    moved: dict[str, Point]
    slam: Slam


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeatChain:
    """Transfer functions between the sweep and the microphone at one seat.

    Attributes
    ----------
    to_cone, excursion, from_cone, microphone : ndarray, shape (F,)
        Low-pass and band gains in force; excursion for a drive, 1 at 0 Hz; pressure at the seat for
        a drive; the microphone. All at the frequencies `CARRIED`.
    """

    to_cone: ComplexArray
    excursion: ComplexArray
    from_cone: ComplexArray
    microphone: ComplexArray


# ------------------------------------------------------------------------------- what was played


def growth(sweep: Mapping[str, Any]) -> float:
    """Return L of Novak et al. 2015, eq. 49: time in which the frequency grows e-fold, s."""
    start, stop = sweep["start"], sweep["stop"]
    return float(round(start * sweep["length"] / math.log(stop / start)) / start)


def slam_after(sweep: Mapping[str, Any], slam: Slam) -> float:
    """Return when the door slams, in s after the player started."""
    swept = growth(sweep) * math.log(slam.sweep_at / sweep["start"])
    return float(sweep["lead_in"] + sweep["pause"] + swept)


def played(sweep: Mapping[str, Any]) -> FloatArray:
    """Return quiet pink noise, a pause, the sweep (Novak et al. 2015, eq. 47), and its tail."""
    rate, slow, amplitude = sweep["sample_rate"], growth(sweep), 10.0 ** (sweep["level_dbfs"] / 20)
    length = slow * math.log(sweep["stop"] / sweep["start"])
    times = np.arange(round(length * rate)) / rate
    rising = np.sin(2.0 * np.pi * sweep["start"] * slow * np.exp(times / slow))
    rising *= (
        amplitude * _fade(times / sweep["fade_in"]) * _fade((length - times) / sweep["fade_out"])
    )
    silence = (np.zeros(round(sweep[part] * rate)) for part in ("pause", "tail"))
    return np.concatenate((_lead_in(sweep), next(silence), rising, next(silence)))


def _fade(ratio: FloatArray) -> FloatArray:
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(ratio, 0.0, 1.0)))


def _lead_in(sweep: Mapping[str, Any]) -> FloatArray:
    """Return the noise that wakes an amplifier, as the player's file has it."""
    rate, size = sweep["sample_rate"], round(sweep["lead_in"] * sweep["sample_rate"])
    axis = np.fft.rfftfreq(size, 1.0 / rate)
    inside = (axis >= sweep["start"]) & (axis <= sweep["stop"])
    spectrum = np.zeros(axis.size, dtype=np.complex128)
    turns = 2.0 * np.pi * _uniform(np.random.PCG64(1), int(np.count_nonzero(inside)))
    spectrum[inside] = np.exp(1j * turns) / np.sqrt(axis[inside])
    noise = np.fft.irfft(spectrum, size)
    noise *= 10.0 ** (sweep["lead_in_level_dbfs"] / 20.0) / math.sqrt(2.0 * np.mean(noise**2))
    times = np.arange(size) / rate
    return np.asarray(noise * _fade(np.minimum(times, times[::-1]) / 0.5))


# ---------------------------------------------------------------------------------------- noise


def _uniform(bits: np.random.PCG64, count: int) -> FloatArray:
    """Return numbers from 0 to below 1, from the upper 53 bits."""
    return np.asarray((bits.random_raw(count) >> np.uint64(11)) * 2.0**-53)


def gaussian(count: int, *, seed: str) -> FloatArray:
    """Return white Gaussian noise of unit variance, by pairs (Box and Muller 1958)."""
    digest = hashlib.sha256(seed.encode()).digest()
    bits = np.random.PCG64(int.from_bytes(digest[:8], "little"))
    half = (count + 1) // 2
    radius = np.sqrt(-2.0 * np.log(1.0 - _uniform(bits, half)))
    angle = 2.0 * np.pi * _uniform(bits, half)
    return np.concatenate((radius * np.cos(angle), radius * np.sin(angle)))[:count]


def rumble(count: int, *, at_20_hz_db: float, seed: str) -> FloatArray:
    """Return the room's own noise: 9 dB an octave less above 12 Hz, nothing below 4 Hz."""
    size = 2 ** math.ceil(math.log2(count))
    axis = np.fft.rfftfreq(size, 1.0 / RATE)
    density_db = at_20_hz_db - 9.0 * np.log2(np.maximum(axis, 12.0) / 20.0)
    shape = 10.0 ** (density_db / 20.0) * _fade(np.asarray(axis / 4.0 - 1.0, dtype=np.float64))
    spectrum = np.fft.rfft(gaussian(size, seed=seed)) * shape * math.sqrt(RATE / 2.0)
    return np.asarray(np.fft.irfft(spectrum, size)[:count])


# ------------------------------------------------------------------------------------- the chain


def _transform_size(count: int) -> int:
    """Return a convenient length that holds a signal and the longest response after it."""
    return int(2 ** math.ceil(math.log2(count + _RESPONSE)))


def _at_transform(carried: ComplexArray, size: int) -> ComplexArray:
    """Return a transfer function, known at `CARRIED`, at the lowest bins of a long transform."""
    short = np.zeros(_RESPONSE // 2 + 1, dtype=np.complex128)
    short[1 : CARRIED.size + 1] = carried * _fade((_HIGHEST - CARRIED) / (_HIGHEST - _FADE))
    response = np.fft.irfft(short, _RESPONSE)
    long = np.zeros(size)
    long[: _RESPONSE - _AHEAD] = response[:-_AHEAD]
    long[-_AHEAD:] = response[-_AHEAD:]
    return np.asarray(np.fft.rfft(long)[: math.ceil(_HIGHEST * size / RATE)])


def _through(spectrum: ComplexArray, transfer: ComplexArray, size: int) -> FloatArray:
    """Return a signal after a transfer function, shape (size,); nothing is carried above it."""
    return np.asarray(np.fft.irfft(spectrum[: transfer.size] * transfer, size))


def _converter(frequencies: FloatArray, recorder: Recorder) -> ComplexArray:
    """Return what the interface does to a signal on its way out and in again."""
    s = 1j * frequencies / recorder.coupling
    return np.asarray(s / (1.0 + s) * np.exp(-2j * np.pi * frequencies * recorder.latency))


def driven(
    signal: FloatArray, chain: SeatChain, recorder: Recorder, *, sweep: Mapping[str, Any]
) -> FloatArray:
    """Return what drives the cone for a signal, shape (size,); the same whatever the seat.

    From the moment at which the player started; longer than the signal.
    """
    size = _transform_size(signal.size)
    spectrum = np.fft.rfft(signal / 10.0 ** (sweep["level_dbfs"] / 20.0), size)
    drive = _through(spectrum, _at_transform(chain.to_cone, size), size)
    moving = _at_transform(chain.to_cone * chain.excursion, size)
    excursion = _through(spectrum, moving, size)
    return drive - 4.0 * recorder.third_harmonic * excursion * excursion * excursion


def heard(spectrum: ComplexArray, size: int, chain: SeatChain, recorder: Recorder) -> FloatArray:
    """Return the pressure that the interface records of a driven cone, without noise.

    Shape (size,); `spectrum` is that of the drive.
    """
    rest = chain.from_cone * chain.microphone * _converter(CARRIED, recorder)
    return math.sqrt(2.0) * _through(spectrum, _at_transform(rest, size), size)


def loopback(signal: FloatArray, recorder: Recorder) -> FloatArray:
    """Return what comes back through the cable, without noise, shape (size,)."""
    size = _transform_size(signal.size)
    axis = np.arange(1, math.ceil(_HIGHEST * size / RATE)) * RATE / size
    transfer = 10.0 ** (recorder.loopback_gain_db / 20.0) * _converter(axis, recorder)
    spectrum = np.fft.rfft(signal, size)
    return _through(spectrum, np.concatenate(([0.0], transfer)), size)


def third_harmonic_db(frequencies: FloatArray, chain: SeatChain, recorder: Recorder) -> FloatArray:
    """Return the third harmonic against the fundamental at a seat, for steady sines, dB.

    The cube of a sine is three quarters of itself less a quarter of its third harmonic.
    """

    def level(response: ComplexArray, times: float) -> FloatArray:
        return np.interp(times * frequencies, CARRIED, np.abs(response))

    added = recorder.third_harmonic * level(chain.to_cone * chain.excursion, 1.0) ** 3
    ratio = added * level(chain.from_cone, 3.0) / level(chain.to_cone * chain.from_cone, 1.0)
    return np.asarray(20.0 * np.log10(ratio))


def slam_heard(
    size: int, from_door: ComplexArray, recorder: Recorder, *, sweep: Mapping[str, Any]
) -> FloatArray:
    """Return the pressure that the interface records of a slam, shape (size,).

    A thump (the leaf stops dead) and a knock of the latch, each the slope of a Gaussian; the door
    springs back and falls shut a second time.
    """
    times = np.arange(size) / RATE - slam_after(sweep, recorder.slam)
    pulse = np.zeros(size)
    for delay, width, share in ((0.0, 6e-3, 1.0), (0.004, 0.9e-3, 0.35), (0.17, 5e-3, 0.4)):
        u = (times - delay) / width
        pulse -= share * u * np.exp(0.5 - 0.5 * u**2)
    transfer = _at_transform(from_door * _converter(CARRIED, recorder), size)
    pulse *= 10.0 ** (recorder.slam.peak_db / 20.0)
    return _through(np.fft.rfft(pulse), transfer, size)


def recorded(
    pressure: FloatArray,
    returned: FloatArray,
    recorder: Recorder,
    *,
    count: int,
    started: float,
    seed: str,
) -> NDArray[np.int16]:
    """Return both channels of one recording, shape (N, 2).

    Parameters
    ----------
    pressure, returned : ndarray
        As `heard` and `loopback` give them.
    recorder : Recorder
    count : int
        Samples from the player's start to its end.
    started : float
        How long before the player the recording was started, s; it is stopped 0.4 s after it.
    seed : str
    """
    ahead = round(started * RATE)
    total = ahead + count + round(0.4 * RATE)
    microphone = rumble(total, at_20_hz_db=recorder.rumble_db, seed=f"{seed}, room")
    hiss = gaussian(total, seed=f"{seed}, microphone")
    microphone += 10.0 ** (recorder.microphone_noise_db / 20.0) * hiss
    microphone[ahead:] += pressure[: total - ahead]
    cable = 10.0 ** (recorder.loopback_noise_dbfs / 20.0) * gaussian(total, seed=f"{seed}, cable")
    cable[ahead:] += returned[: total - ahead]
    return _sixteen_bits(np.stack((_per_unit(recorder) * microphone, cable), axis=1))


def _per_unit(recorder: Recorder) -> float:
    """Return the sample that a momentary pressure of 20 micropascals gives."""
    return float(10.0 ** (-recorder.full_scale_db / 20.0)) / math.sqrt(2.0)


def calibrator_tone(recorder: Recorder, *, level_db: float, seed: str) -> NDArray[np.int16]:
    """Return four seconds of a sound calibrator at 1 kHz, soon pushed home, shape (N, 1)."""
    times = np.arange(4 * RATE) / RATE
    pressure = math.sqrt(2.0) * 10.0 ** (level_db / 20.0) * np.sin(2.0 * np.pi * 1000.0 * times)
    pressure *= 0.9 + 0.1 * _fade((times - 0.3) / 0.3)
    pressure += rumble(times.size, at_20_hz_db=recorder.rumble_db - 10.0, seed=f"{seed}, room")
    hiss = gaussian(times.size, seed=f"{seed}, microphone")
    pressure += 10.0 ** (recorder.microphone_noise_db / 20.0) * hiss
    return _sixteen_bits(_per_unit(recorder) * pressure[:, np.newaxis])


def _sixteen_bits(samples: FloatArray) -> NDArray[np.int16]:
    return np.clip(np.round(samples * 32768.0), -32768, 32767).astype(np.int16)


def flac_bytes(samples: NDArray[np.int16]) -> bytes:
    """Return samples of shape (N, channels) as a FLAC file."""
    import soundfile  # type: ignore[import-untyped]

    file = io.BytesIO()
    soundfile.write(file, samples, RATE, format="FLAC", subtype="PCM_16")
    return file.getvalue()


def recording_notes(sweep: Mapping[str, Any], recorder: Recorder) -> bytes:
    """Return when each recording was started, and what is wrong with one, as a table."""
    lead = sweep["lead_in"] + sweep["pause"]
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    slam = ["flaw", "at s", "sweep is at Hz", "peak at 1 m dB"]
    rows.writerow(["file", "sweep begins at s", "microphone moved to", *slam])
    for file, started in recorder.started.items():
        begins = started + lead + recorder.latency
        moved = " ".join(f"{length:g}" for length in recorder.moved.get(file, ()))
        row: list[str] = [file, f"{begins:.6f}", moved, "none", "", "", ""]
        if file == recorder.slam.file:
            at = started + slam_after(sweep, recorder.slam) + recorder.latency
            row[3:] = ["door slam", f"{at:.3f}", f"{recorder.slam.sweep_at:g}"]
            row.append(f"{recorder.slam.peak_db:g}")
        rows.writerow(row)
    return text.getvalue().encode()
