import numpy as np
import pytest
import scipy.signal
from quality_recordings import RATE, SWEEP, clean, codes, lost, played, recording

from roomeq.analysis.recordings.findings import FindingCode
from roomeq.analysis.recordings.quality import judge_recording


def wire(*, high_pass=None):
    signal = 0.5 * played()
    if high_pass is not None:
        order, corner = high_pass
        sos = scipy.signal.butter(order, corner, "highpass", fs=RATE, output="sos")
        signal = scipy.signal.sosfilt(sos, signal)
    return signal + 1e-5 * np.random.default_rng(9).standard_normal(signal.size)


def judged(change, *, loopback=False):
    second = recording(change(wire(high_pass=(1, 3.0))), channel=2, channels=2)
    return judge_recording(recording(change(clean())), SWEEP, loopback=second if loopback else None)


def slips(quality):
    return [one for one in quality.found(FindingCode.DROPPED_SAMPLES) if "(by the" in one.what]


@pytest.mark.parametrize("count", [16, 64, 441, 2000])
@pytest.mark.parametrize("at", [9.5, 12.5])
def test_lost_samples_are_counted_by_the_lead_in(count, at):
    quality = judged(lambda samples: lost(samples, at, count))
    (found,) = slips(quality)
    assert found.value == pytest.approx(count, abs=3)
    assert found.start - 0.4 < at < found.stop + 0.4
    assert not quality.found(FindingCode.CLOCK_DRIFT)


@pytest.mark.parametrize("count", [3, 64, 1024])
def test_lost_samples_are_counted_by_the_loopback(count):
    quality = judged(lambda samples: lost(samples, 10.3, count), loopback=True)
    (found,) = slips(quality)
    assert found.value == pytest.approx(count, abs=max(1, 0.04 * count))
    assert found.start - 0.2 < 10.3 < found.stop + 0.2
    assert "were lost" in found.what
    assert not quality.found(FindingCode.CLOCK_DRIFT)


def test_samples_that_were_put_in():
    first = round(10.3 * RATE)
    noise = 0.01 * np.random.default_rng(3).standard_normal(300)
    quality = judged(lambda s: np.concatenate((s[:first], noise, s[first:-300])))
    (found,) = slips(quality)
    assert found.value == pytest.approx(300, abs=3)
    assert "were put in" in found.what


@pytest.mark.parametrize("high_pass", [None, (1, 3.0), (2, 5.0)])
def test_a_sound_loopback_slips_nowhere(high_pass):
    second = recording(wire(high_pass=high_pass), channel=2, channels=2)
    assert codes(judge_recording(recording(clean()), SWEEP, loopback=second)) == set()
