import numpy as np
import pytest
from quality_recordings import RATE, SWEEP, clean, recording

from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.analysis.recordings.model import model_sweep, view_recording
from roomeq.analysis.recordings.quality import judge_recording
from roomeq.analysis.recordings.residual import estimate_hum


def humming(mains, level_dbfs, *, orders=(1, 2), fall_db=10.0, **kind):
    samples = clean(**kind).copy()
    times = np.arange(samples.size) / RATE
    for index, order in enumerate(orders):
        amplitude = 10 ** ((level_dbfs - fall_db * index) / 20)
        samples += amplitude * np.sin(2 * np.pi * order * mains * times + order)
    return samples


def model_of(samples):
    return model_sweep(view_recording(recording(samples), played=SWEEP))


@pytest.mark.parametrize("mains", [50.0, 60.0])
@pytest.mark.parametrize("off", [0.999, 1.002])
@pytest.mark.parametrize("level_dbfs", [-40.0, -60.0])
def test_frequencies_and_levels_of_hum(mains, off, level_dbfs):
    # A sine of amplitude a has 20 lg a dBFS (AES17), whatever the frequency between the bins.
    hum = estimate_hum(model_of(humming(mains * off, level_dbfs)))
    assert hum.mains == mains
    assert hum.frequencies[:2] == (mains, 2 * mains)
    assert hum.levels_dbfs[:2] == pytest.approx((level_dbfs, level_dbfs - 10.0), abs=0.7)


@pytest.mark.parametrize(
    ("level_dbfs", "severity"), [(-95.0, None), (-80.0, Severity.NOTE), (-60.0, Severity.WARNING)]
)
def test_from_where_on_hum_is_named(level_dbfs, severity):
    # At 40 dB signal-to-noise ratio and a sweep of some -30 dBFS at 50 Hz.
    found = judge_recording(recording(humming(50.0, level_dbfs)), SWEEP).found(FindingCode.HUM)
    assert [one.severity for one in found] == ([] if severity is None else [severity])


def test_harmonics_alone_are_hum_too():
    hum = estimate_hum(model_of(humming(60.0, -60.0, orders=(2, 4))))
    assert hum.mains == 60.0
    assert hum.frequencies == (120.0, 240.0)


@pytest.mark.parametrize("decay_time", [0.3, 1.0])
def test_a_ringing_room_does_not_hum(decay_time):
    for seat in range(2):
        assert not judge_recording(recording(clean(decay_time, seat)), SWEEP).found(FindingCode.HUM)


def test_what_rings_at_50_hz_is_no_hum():
    samples = clean().copy()
    times = np.maximum(np.arange(samples.size) / RATE - 11.5, 0.0)
    samples += 0.003 * np.sin(2 * np.pi * 50.0 * times) * np.exp(-6.9 * times / 6.0)
    assert estimate_hum(model_of(samples)) is None


def test_a_line_that_both_mains_have_decides_nothing():
    assert estimate_hum(model_of(humming(300.0, -60.0, orders=(1,)))) is None


def test_a_tone_beside_the_mains_is_no_hum():
    assert estimate_hum(model_of(humming(53.0, -60.0))) is None
