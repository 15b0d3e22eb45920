import math

import numpy as np
import pytest
import scipy.signal
from recorded_rooms import SILENT, plain_sweep, room_recording

from roomeq.analysis.sweeps.deconvolution import (
    deconvolve,
    find_excitations,
    prepare_inverse,
)
from roomeq.analysis.sweeps.sweep import playback_signal, sweep_signal
from roomeq.base.errors import MeasurementFileError
from roomeq.base.recording import Recording


def prepared(sweep, recording, **others):
    return prepare_inverse(
        sweep, sample_rate=recording.sample_rate, frames=recording.samples.size, **others
    )


@pytest.mark.parametrize("highest", [300.0, None])
def test_against_pyfar(highest):
    import pyfar  # which takes its time: no other test needs it

    # pyfar's regularised spectral deconvolution of the same recording, within 0.01 dB.
    sweep, _, recording = room_recording(0.6)
    inverse = prepared(sweep, recording, highest=highest)
    samples = recording.samples
    ours = np.fft.rfft(deconvolve(samples, inverse=inverse))
    length = inverse.fft_length * inverse.factor
    rate = recording.sample_rate
    system = pyfar.Signal(samples, rate)
    excitation = pyfar.Signal(sweep_signal(sweep), rate)
    system, excitation = (
        pyfar.dsp.pad_zeros(s, length - s.n_samples) for s in (system, excitation)
    )
    inversion = pyfar.dsp.RegularizedSpectrumInversion.from_frequency_range(
        excitation, (sweep.start, sweep.stop)
    )
    theirs = (system * inversion.invert).freq[0]
    axis = np.fft.rfftfreq(inverse.fft_length, 1 / inverse.low_rate)
    inside = (axis >= 15.0) & (axis <= 300.0)
    ratio = ours[inside] / theirs[: axis.size][inside]
    assert np.abs(20 * np.log10(np.abs(ratio))).max() < 0.01
    assert np.abs(np.angle(ratio)).max() < 1e-3


def test_noise_outside_the_band_does_not_blow_up():
    sweep = plain_sweep()
    rng = np.random.default_rng(2)
    noise = rng.standard_normal(round(sweep.total * sweep.sample_rate))
    recording = Recording(samples=noise, sample_rate=sweep.sample_rate)
    inverse = prepared(sweep, recording, highest=300.0)
    power = np.abs(np.fft.rfft(deconvolve(noise, inverse=inverse))) ** 2
    axis = np.fft.rfftfreq(inverse.fft_length, 1 / inverse.low_rate)
    within = power[(axis > 200) & (axis < 300)].mean()
    assert power[axis < inverse.lowest].max() < within
    assert power[axis > 380.0].max() < 1e-12 * within


@pytest.mark.parametrize("repeats", [1, 2])
def test_doubling_length_or_averages_gains_3_db(repeats):
    # ISO 18233:2006, Annex B: 10 lg n; the noise that deconvolution leaves, sweep level kept.
    # Within three standard errors: 0.07 dB, by how 36 seeds scatter.
    def noise_power(length, count):
        sweep = plain_sweep(length=length)
        total = 0.0
        for seed in range(12):
            rng = np.random.default_rng(seed)
            frames = round(30 * sweep.sample_rate)
            lags = 0.0
            for _ in range(count):
                noise = rng.standard_normal(frames)
                inverse = prepare_inverse(
                    sweep, sample_rate=sweep.sample_rate, frames=frames, highest=100.0
                )
                lags = lags + deconvolve(noise, inverse=inverse) / count
            middle = slice(round(2 * inverse.low_rate), round(12 * inverse.low_rate))
            total += np.mean(lags[middle] ** 2)
        return total

    reference = noise_power(6.0, 1)
    other = noise_power(12.0, 1) if repeats == 1 else noise_power(6.0, 2)
    growth = plain_sweep(length=12.0).growth / plain_sweep(length=6.0).growth
    expected = 10 * math.log10(growth if repeats == 1 else 2.0)
    assert expected == pytest.approx(3.01, abs=0.1)
    assert 10 * math.log10(reference / other) == pytest.approx(expected, abs=3 * 0.07)


def test_a_delay_is_found_to_the_sample():
    sweep = plain_sweep()
    played = playback_signal(sweep)[0]
    for highest in (300.0, 90.0):
        recording = Recording(samples=np.roll(played, 600), sample_rate=sweep.sample_rate)
        inverse = prepared(sweep, recording, highest=highest)
        lags = deconvolve(recording.samples, inverse=inverse)
        (place,) = find_excitations(lags, inverse=inverse, recording=recording)
        assert place / inverse.low_rate == pytest.approx(6.1, abs=0.6 / inverse.low_rate)


def test_several_sweeps_and_one_whose_start_is_missing():
    sweep = plain_sweep(repeats=3)
    played = playback_signal(sweep)[0]
    rate = sweep.sample_rate
    cut = played[round(7.5 * rate) :]  # the first sweep began at 6 s
    recording = Recording(samples=0.1 * cut, sample_rate=rate)
    inverse = prepared(sweep, recording, highest=300.0)
    lags = deconvolve(recording.samples, inverse=inverse)
    places = find_excitations(lags, inverse=inverse, recording=recording)
    starts = np.array(places) / inverse.low_rate
    period = sweep.duration + sweep.tail
    np.testing.assert_allclose(starts, [-1.5, period - 1.5, 2 * period - 1.5], atol=0.01)


def test_a_faint_copy_is_no_repeat():
    # A sweep 26 dB down (another room, a headphone nearby) does not belong to the average.
    sweep = plain_sweep(repeats=2)
    played = playback_signal(sweep)[0]
    second = round((6.0 + sweep.duration + 0.5 * sweep.tail) * sweep.sample_rate)
    played[second:] *= 0.05
    recording = Recording(samples=played, sample_rate=sweep.sample_rate)
    inverse = prepared(sweep, recording, highest=300.0)
    lags = deconvolve(played, inverse=inverse)
    (place,) = find_excitations(lags, inverse=inverse, recording=recording)
    assert place / inverse.low_rate == pytest.approx(6.0, abs=0.01)


def test_distortion_is_not_taken_for_a_sweep():
    sweep = plain_sweep()
    played = playback_signal(sweep)[0]
    bent = played + 4.0 * played**2  # second harmonic at 20 % of the fundamental
    recording = Recording(samples=bent, sample_rate=sweep.sample_rate)
    inverse = prepared(sweep, recording, highest=300.0)
    lags = deconvolve(bent, inverse=inverse)
    assert len(find_excitations(lags, inverse=inverse, recording=recording)) == 1


@pytest.mark.parametrize("kind", ["noise", "silence", "constant"])
def test_a_recording_without_the_sweep_is_refused(kind):
    sweep = plain_sweep()
    rng = np.random.default_rng(8)
    frames = round(sweep.total * sweep.sample_rate)
    samples = {
        "noise": 0.01 * rng.standard_normal(frames),
        "silence": np.zeros(frames),
        "constant": np.full(frames, 0.0),
    }[kind]
    recording = Recording(samples=samples, sample_rate=sweep.sample_rate, path="seat.wav")
    inverse = prepared(sweep, recording, highest=300.0)
    lags = deconvolve(samples, inverse=inverse)
    with pytest.raises(MeasurementFileError, match=r"seat\.wav, channel 1.*not found"):
        find_excitations(lags, inverse=inverse, recording=recording)


def test_a_reference_of_another_kind_and_rate():
    # A known noise burst at 8 kHz, recorded at 6 kHz through a filter that scipy evaluates.
    rng = np.random.default_rng(1)
    reference = rng.standard_normal(8 * 8000)
    played = scipy.signal.resample_poly(reference, 3, 4)
    sos = scipy.signal.butter(2, 80.0, fs=6000, output="sos")
    samples = scipy.signal.sosfilt(sos, np.concatenate((np.zeros(3000), played, np.zeros(9000))))
    recording = Recording(samples=samples, sample_rate=6000)
    inverse = prepared(Recording(samples=reference, sample_rate=8000), recording, highest=300.0)
    assert not inverse.excitation.sweeps
    assert inverse.lowest < 15.0
    lags = deconvolve(samples, inverse=inverse)
    (place,) = find_excitations(lags, inverse=inverse, recording=recording)
    assert place / inverse.low_rate == pytest.approx(0.5, abs=0.01)
    ours = np.abs(np.fft.rfft(lags))
    axis = np.fft.rfftfreq(inverse.fft_length, 1 / inverse.low_rate)
    inside = (axis > 20.0) & (axis < 300.0)
    _, exact = scipy.signal.sosfreqz(sos, axis[inside], fs=6000)
    assert np.abs(20 * np.log10(ours[inside] / np.abs(exact))).max() < 0.01


def test_the_lead_in_noise_may_be_there():
    sweep = plain_sweep(lead_in_level_dbfs=-40.0)
    assert sweep.lead_in_level_dbfs > SILENT
    recording = Recording(samples=playback_signal(sweep)[0], sample_rate=sweep.sample_rate)
    inverse = prepared(sweep, recording, highest=300.0)
    lags = deconvolve(recording.samples, inverse=inverse)
    assert len(find_excitations(lags, inverse=inverse, recording=recording)) == 1


def test_misuse():
    sweep = plain_sweep()
    for highest in (8.0, 0.0, -300.0):
        with pytest.raises(ValueError, match="nothing usable"):
            prepare_inverse(sweep, sample_rate=6000, frames=9000, highest=highest)
    with pytest.raises(ValueError, match="reference is silent"):
        prepare_inverse(
            Recording(samples=np.zeros(9), sample_rate=6000), sample_rate=6000, frames=9000
        )
    inverse = prepare_inverse(sweep, sample_rate=6000, frames=9000, highest=300.0)
    with pytest.raises(ValueError, match="1 to 9000 samples"):
        deconvolve(np.zeros(9001), inverse=inverse)
