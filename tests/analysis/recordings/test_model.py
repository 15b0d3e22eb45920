import numpy as np
import pytest
from quality_recordings import RATE, SWEEP, clean, heard, played, recording, slam

from roomeq.analysis.recordings.model import model_sweep, view_recording
from roomeq.base.recording import Recording


def model_of(samples):
    return model_sweep(view_recording(recording(samples), played=SWEEP))


@pytest.mark.parametrize("decay_time", [0.3, 1.0])
def test_the_residual_of_a_noise_free_room_is_far_below_it(decay_time):
    model = model_of(heard(decay_time, 1))
    inner = slice(round(7.5 * model.low_rate), round(14.0 * model.low_rate))
    left = np.sqrt(np.mean(model.residual[inner] ** 2))
    assert left < 10 ** (-55 / 20) * np.sqrt(np.mean(model.band_signal[inner] ** 2))


def test_the_residual_holds_what_the_sweep_does_not_explain():
    # A tone of 20 Hz long after the sweep has passed 20 Hz is left over whole, sample for sample.
    times = np.arange(heard().size) / RATE
    tone = 0.01 * np.sin(2 * np.pi * 20.0 * times) * np.exp(-(((times - 13.0) / 0.3) ** 2))
    model = model_of(heard() + tone)
    low_times = np.arange(model.residual.size) / model.low_rate
    exact = 0.01 * np.sin(2 * np.pi * 20.0 * low_times)
    exact *= np.exp(-(((low_times - 13.0) / 0.3) ** 2))
    inner = (low_times > 12.0) & (low_times < 14.0)
    assert np.abs(model.residual[inner] - exact[inner]).max() < 5e-4


def test_a_wire_has_its_gain_at_every_frequency():
    model = model_of(0.25 * played())
    frequencies, spectrum = model.frequencies, model.spectrum
    inner = (frequencies > 15.0) & (frequencies < 400.0)
    assert np.abs(spectrum[inner]) == pytest.approx(0.25, rel=0.01)


def test_a_disturbance_does_not_stretch_the_window():
    quiet = model_of(clean()).window.length
    loud = model_of(clean() + 0.4 * slam(clean().size, 13.0)).window.length
    assert loud < 3.0 * quiet


def test_the_recording_is_not_touched_and_a_strange_rate_works():
    one = recording(clean())
    before = one.samples.copy()
    model_sweep(view_recording(one, played=SWEEP))
    assert np.array_equal(one.samples, before)
    odd = Recording(samples=clean()[: 15 * RATE], sample_rate=15991)
    assert view_recording(odd, played=SWEEP).wide.sample_rate == 15991


def test_no_sweep_no_model():
    assert model_of(np.random.default_rng(0).standard_normal(10 * RATE)) is None
