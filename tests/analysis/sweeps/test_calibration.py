import math

import numpy as np
import pytest

from roomeq.analysis.sweeps.calibration import (
    calibrated_response,
    estimate_sensitivity,
    sensitivity_from_dbfs,
)
from roomeq.base.errors import MeasurementFileError
from roomeq.base.recording import ImpulseResponse, Recording

RATE = 48000


def tone(frequency=1000.0, amplitude=0.1, seconds=6.0, noise=0.0, rate=RATE):
    times = np.arange(round(seconds * rate)) / rate
    samples = amplitude * np.sin(2 * np.pi * frequency * times + 0.3)
    return samples + noise * np.random.default_rng(4).standard_normal(times.size)


def recording(samples, rate=RATE):
    return Recording(samples=samples, sample_rate=rate, path="calibrator.wav")


@pytest.mark.parametrize("level_db", [94.0, 114.0])
@pytest.mark.parametrize(("nominal", "real"), [(250.0, 251.2), (250.0, 250.0), (1000.0, 1000.7)])
@pytest.mark.parametrize("rate", [44100, 48000])
def test_a_calibrator_tells_the_sensitivity(level_db, nominal, real, rate):
    # IEC 60942: 94 dB is 1.0024 Pa, 114 dB is 10.024 Pa; the rms of a sine is its peak / sqrt 2.
    found = estimate_sensitivity(
        recording(tone(real, 0.1, rate=rate), rate),
        level_db=level_db,
        frequency=nominal,
        same_gain=True,
    )
    pascal = {94.0: 1.00237, 114.0: 10.0237}[level_db]
    assert found.pascal_per_unit == pytest.approx(pascal / (0.1 / math.sqrt(2)), rel=1e-4)
    assert found.full_scale_db == pytest.approx(level_db + 20.0, abs=1e-3)


def test_noise_hum_and_handling_do_not_count():
    samples = tone(noise=0.003)
    samples += 0.005 * np.sin(2 * np.pi * 50 * np.arange(samples.size) / RATE)
    samples[: RATE // 2] *= 0.1  # put on late
    samples[-RATE:] *= 0.01  # and taken off
    samples[2 * RATE : 2 * RATE + 4800] += 0.3
    found = estimate_sensitivity(
        recording(samples), level_db=94.0, frequency=1000.0, same_gain=True
    )
    exact = 1.00237 / (0.1 / math.sqrt(2))
    # three standard errors, 0.0018 dB over 12 seeds of the noise
    assert 20 * math.log10(found.pascal_per_unit / exact) == pytest.approx(0.0, abs=3 * 0.0018)


@pytest.mark.parametrize(
    ("samples", "message"),
    [
        (tone(amplitude=1.0), "reaches full scale"),
        (tone(frequency=250.0), "silent|stands only|steady"),
        (tone(amplitude=0.001, noise=0.01), "stands only|steady"),
        (tone(seconds=1.0), r"lasts 1\.00 s only"),
        (np.zeros(RATE * 4), "is silent"),
        (tone() * np.linspace(0.02, 1.0, 6 * RATE), "steady within 0.3 dB for"),
    ],
)
def test_recordings_that_tell_no_sensitivity(samples, message):
    with pytest.raises(MeasurementFileError, match=rf"calibrator\.wav, channel 1.*({message})"):
        estimate_sensitivity(recording(samples), level_db=94.0, frequency=1000.0, same_gain=True)


def test_a_rate_that_cannot_carry_the_tone():
    with pytest.raises(MeasurementFileError, match="cannot carry 1000 Hz"):
        estimate_sensitivity(
            recording(np.full(4000, 0.1), 1000), level_db=94.0, frequency=1000.0, same_gain=True
        )


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"level_db": 104.0}, "about 94 or 114 dB"),
        ({"level_db": math.nan}, "about 94 or 114 dB"),
        ({"frequency": 500.0}, "250 or 1000 Hz"),
    ],
)
def test_no_such_calibrator(changes, message):
    values = {"level_db": 94.0, "frequency": 1000.0, "same_gain": True} | changes
    with pytest.raises(ValueError, match=message):
        estimate_sensitivity(recording(tone()), **values)


def test_a_stated_sensitivity():
    # -24 dBFS at 94 dB SPL: full scale is 118 dB SPL.
    digital = sensitivity_from_dbfs(-24.0, level_db=94.0, same_gain=True)
    assert digital.full_scale_db == pytest.approx(118.0)


def impulse():
    return ImpulseResponse(
        samples=np.array([1.0, 0.0]), sample_rate=1000.0, start=0.0, lowest=10.0, highest=300.0
    )


def test_a_response_becomes_a_level():
    # A response of 1 played at -20 dBFS shows -20 dBFS in the recording: 118 - 20 = 98 dB SPL.
    sensitivity = sensitivity_from_dbfs(-24.0, level_db=94.0, same_gain=True)
    drive = 0.1 / math.sqrt(2)
    levelled = calibrated_response(impulse(), sensitivity=sensitivity, drive_rms=drive)
    assert 20 * np.log10(levelled.samples[0]) == pytest.approx(98.0)
    assert levelled.level_reference == "spl"


def test_no_level_without_the_same_gain():
    sensitivity = sensitivity_from_dbfs(-24.0, level_db=94.0, same_gain=False)
    with pytest.raises(ValueError, match="gain was not the same"):
        calibrated_response(impulse(), sensitivity=sensitivity, drive_rms=0.1)


def test_misuse():
    with pytest.raises(ValueError, match="finite levels"):
        sensitivity_from_dbfs(3.0, level_db=94.0, same_gain=True)
