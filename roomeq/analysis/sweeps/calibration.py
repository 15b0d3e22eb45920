"""What a sample is worth in pascals: a sound calibrator's recording, or a stated sensitivity.

Conventions
-----------
Samples are fractions of full scale. 0 dB SPL is 20 micropascals (ISO 1683); 0 dBFS is a sine whose
peaks reach full scale (AES17). A response in dB SPL holds at the recorded drive level: it is the
level that a steady sine at the sweep's own level would give. Without a calibration a response stays
relative, and is labelled so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from roomeq.base.errors import MeasurementFileError
from roomeq.base.levels import FloatArray
from roomeq.base.recording import ImpulseResponse, Recording

REFERENCE_PRESSURE = 20e-6
"""Pa; ISO 1683."""

_CALIBRATOR_LEVELS_DB = (94.0, 114.0)  # IEC 60942
_CALIBRATOR_FREQUENCIES = (250.0, 1000.0)
_FREQUENCY_TOLERANCE = 0.02  # wider than IEC 60942 allows a class 2 calibrator; covers 251.2 Hz
_BLOCK = 0.25  # s over which the steadiness is judged
_STEADY_DB = 0.3  # common practice, no source: blocks further from the median are left out
_LEAST_STEADY = 2.0  # s
_LEAST_SNR_DB = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MicrophoneSensitivity:
    """What full scale is worth, and how that is known.

    Attributes
    ----------
    pascal_per_unit : float
        Pressure in Pa of a sample of 1.0.
    same_gain : bool
        Whether the person said that every gain between microphone and file was the same when the
        sweep was recorded; without that there is no level.
    description : str
        What was measured or stated, in words.
    """

    pascal_per_unit: float
    same_gain: bool
    description: str

    @property
    def full_scale_db(self) -> float:
        """Level of a full-scale sine, in dB SPL."""
        return 20.0 * math.log10(self.pascal_per_unit / math.sqrt(2.0) / REFERENCE_PRESSURE)


def estimate_sensitivity(
    recording: Recording, *, level_db: float, frequency: float, same_gain: bool
) -> MicrophoneSensitivity:
    """Return the sensitivity that the recording of a sound calibrator tells.

    The steady part is used; the power of the tone alone counts, so that hum and noise do not.

    Parameters
    ----------
    recording : Recording
        The calibrator's tone, at least 2 s of it steady.
    level_db : float
        What the calibrator gives: 94 or 114 dB, or the value on its certificate within 1 dB.
    frequency : float
        250 or 1000 Hz, as the calibrator states.
    same_gain : bool
        Whether the sweep was recorded with the same gain: asked of the person, never assumed.

    Raises
    ------
    MeasurementFileError
        If the tone is not there, at another frequency, clipped, buried in noise or not steady.
    ValueError
        If level or frequency are none that a calibrator has.
    """
    if not min(abs(level_db - level) for level in _CALIBRATOR_LEVELS_DB) <= 1.0:
        raise ValueError(f"a calibrator gives about 94 or 114 dB, got {level_db!r}")
    if frequency not in _CALIBRATOR_FREQUENCIES:
        raise ValueError(f"a calibrator has 250 or 1000 Hz, got {frequency!r}")
    if np.abs(recording.samples).max() >= 0.999:
        raise _fault(recording, "the calibrator's tone reaches full scale", "lower the gain")
    powers, others = _tone_powers(recording, frequency)
    median = float(np.median(powers))
    if not median > 0:
        raise _fault(recording, "is silent for most of its length", "record the calibrator again")
    steady = np.abs(10.0 * np.log10(np.maximum(powers, 1e-300) / median)) <= _STEADY_DB
    lasted = np.sum(steady) * _BLOCK
    if not lasted >= _LEAST_STEADY:
        message = f"the tone is steady within {_STEADY_DB} dB for {lasted:g} s only"
        remedy = f"record at least {_LEAST_STEADY:g} s without touching the microphone"
        raise _fault(recording, message, remedy)
    power, rest = float(np.median(powers[steady])), float(np.median(others[steady]))
    if not power >= rest * 10.0 ** (_LEAST_SNR_DB / 10.0):
        above_db = 10.0 * math.log10(power / rest)
        message = f"the tone at {frequency:g} Hz stands only {above_db:.1f} dB above the rest"
        remedy = "is the calibrator's other frequency meant, or was it not pushed home?"
        raise _fault(recording, message, remedy)
    pressure = REFERENCE_PRESSURE * 10.0 ** (level_db / 20.0)
    spread = float(np.std(10.0 * np.log10(powers[steady])))
    return MicrophoneSensitivity(
        pascal_per_unit=pressure / math.sqrt(power),
        same_gain=same_gain,
        description=(
            f"calibrator {level_db:g} dB at {frequency:g} Hz, {np.sum(steady)} of {steady.size} "
            f"blocks of {_BLOCK:g} s, steady within {spread:.3f} dB"
        ),
    )


def _fault(recording: Recording, message: str, remedy: str) -> MeasurementFileError:
    return MeasurementFileError(
        message, path=recording.path, where=f"channel {recording.channel}", remedy=remedy
    )


def _tone_powers(recording: Recording, frequency: float) -> tuple[FloatArray, FloatArray]:
    """Return mean squares of the tone and of the rest in each."""
    from scipy.signal import spectrogram

    rate = recording.sample_rate
    size = round(_BLOCK * rate)
    if recording.samples.size // size * _BLOCK < _LEAST_STEADY:
        message = f"lasts {recording.duration:.2f} s only"
        raise _fault(recording, message, f"record at least {_LEAST_STEADY:g} s of the calibrator")
    # A Blackman window keeps the tone within 4 bins; its sum over all bins is the mean square.
    axis, _, density = spectrogram(
        recording.samples, rate, window="blackman", nperseg=size, noverlap=0, detrend=False
    )
    power, reach = density * axis[1], _FREQUENCY_TOLERANCE * frequency + 4.0 * axis[1]
    near = np.abs(axis - frequency) <= reach
    if not near.any() or frequency + reach > 0.5 * rate:
        message = f"its rate cannot carry {frequency:g} Hz"
        raise _fault(recording, message, "record at 8 kHz or more")
    tone = power[near].sum(axis=0)
    return tone, power[axis > 10.0].sum(axis=0) - tone


def sensitivity_from_dbfs(
    level_dbfs: float, *, level_db: float, same_gain: bool
) -> MicrophoneSensitivity:
    """Return the sensitivity of a microphone with its own converter.

    Parameters
    ----------
    level_dbfs : float
        What the file shows, in dBFS, while...
    level_db : float
        ...a sine of this sound pressure level acts: most often 94 dB.
    same_gain : bool
        Whether the sweep was recorded with the gain for which that is stated.

    Raises
    ------
    ValueError
        If a value is not finite, or `level_dbfs` lies above 0.
    """
    if not (math.isfinite(level_dbfs) and level_dbfs <= 0 and math.isfinite(level_db)):
        raise ValueError(f"needs finite levels, dBFS not above 0: {level_dbfs!r}, {level_db!r}")
    pressure = REFERENCE_PRESSURE * 10.0 ** (level_db / 20.0) * math.sqrt(2.0)
    return MicrophoneSensitivity(
        pascal_per_unit=pressure / 10.0 ** (level_dbfs / 20.0),
        same_gain=same_gain,
        description=f"{level_dbfs:g} dBFS at {level_db:g} dB SPL",
    )


def calibrated_response(
    impulse_response: ImpulseResponse,
    *,
    sensitivity: MicrophoneSensitivity,
    drive_rms: float,
) -> ImpulseResponse:
    """Return the response with 1 meaning 20 micropascals at the recorded drive level.

    Parameters
    ----------
    impulse_response : ImpulseResponse
        Recorded over played, both as fractions of full scale.
    sensitivity : MicrophoneSensitivity
        Of the microphone's channel.
    drive_rms : float
        Rms of the excitation as a fraction of full scale: that of the steady sine at the sweep's
        level, or of the reference.

    Raises
    ------
    ValueError
        If the gain was not the same: then a level cannot be given, leave the response relative.
    """
    if not sensitivity.same_gain:
        raise ValueError(
            "the gain was not the same for calibration and sweep, so the level is not known: "
            "leave the response relative, or calibrate again without touching the gain"
        )
    scale = sensitivity.pascal_per_unit * drive_rms / REFERENCE_PRESSURE
    return replace(
        impulse_response, samples=impulse_response.samples * scale, level_reference="spl"
    )
