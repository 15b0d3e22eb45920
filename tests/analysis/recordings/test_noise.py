from dataclasses import replace

import numpy as np
import pytest
from quality_recordings import (
    SWEEP,
    clean,
    convolved,
    heard,
    noise_sigma,
    noisy,
    played,
    recording,
)

from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.analysis.recordings.model import model_sweep, view_recording
from roomeq.analysis.recordings.noise import estimate_noise, quiet_stretches
from roomeq.analysis.recordings.quality import judge_recording
from roomeq.analysis.sweeps.windowing import window_values

RATE = 16000


def levels(samples, sweep=SWEEP):
    model = model_sweep(view_recording(recording(samples, sweep=sweep), played=sweep))
    return estimate_noise(model), model


def test_the_level_of_white_noise_in_each_band():
    # Closed form: white noise of sigma has sigma^2 (f2 - f1) / (rate / 2) in a band; AES17: a
    # full-scale sine, mean square one half, is 0 dBFS. Mean of eight seeds, within three standard
    # errors (over 48 seeds): 0.55 dB at most in single bands, 0.10 dB in the mean over all. The
    # sweep, 60 dB above, has no part in it, not even in the lowest bands, where it begins.
    sigma = noise_sigma(heard(), snr_db=60.0)
    found = [levels(clean(seed=seed, snr_db=60.0))[0] for seed in range(8)]
    widths = np.array([band.upper - band.lower for band in found[0].bands])
    exact_db = 10 * np.log10(2 * sigma**2 * widths / (RATE / 2))
    power = np.mean([10 ** (one.noise_db / 10) for one in found], axis=0)
    error_db = 10 * np.log10(power) - exact_db
    assert np.abs(error_db[widths > 10]).max() < 3 * 0.33
    assert np.abs(error_db).max() < 3 * 0.55
    assert abs(np.mean(error_db)) < 3 * 0.1


def test_ten_decibels_more_noise_cost_ten_decibels():
    quiet, loud = levels(clean(snr_db=40.0))[0], levels(clean(snr_db=30.0))[0]
    # the very same noise: what is left is what the sweep itself leaves in quiet bands
    assert quiet.snr_db - loud.snr_db == pytest.approx(10.0, abs=0.25)


def test_doubling_length_or_sweeps_gains_three_decibels():
    # ISO 18233:2006: 3.01 dB for every doubling. Mean over bands and four seeds, within three
    # standard errors (over 64 seeds): 0.165 dB for the length, 0.08 dB for the sweeps.
    def mean_db(sweep):
        signal = convolved(played(sweep), RATE, 0.5, 0)
        ratios = []
        for seed in range(4):
            noise = 0.01 * np.random.default_rng(seed).standard_normal(signal.size)
            found, model = levels(signal + noise, sweep)
            values = window_values(model.impulse_response.times, window=model.window)
            # A window twice as long lets twice the noise in: brought to one length.
            ratios.append(found.snr_db + 10 * np.log10(np.sum(values**2)))
        return np.mean(ratios)

    once = replace(SWEEP, length=4.0)
    assert mean_db(SWEEP) - mean_db(once) == pytest.approx(
        10 * np.log10(SWEEP.growth / once.growth), abs=3 * 0.165
    )
    gained_db = mean_db(replace(once, repeats=2)) - mean_db(once)
    assert gained_db == pytest.approx(10 * np.log10(2), abs=3 * 0.08)


@pytest.mark.parametrize(("snr_db", "worst"), [(40.0, None), (12.0, "warning"), (-5.0, "fault")])
def test_bands_with_too_much_noise_are_named(snr_db, worst):
    found = judge_recording(recording(clean(snr_db=snr_db)), SWEEP).found(FindingCode.LOW_SNR)
    if worst is None:
        assert not found
    else:
        assert found[0].severity is Severity(worst)
        assert found[0].lowest < found[0].highest


def test_where_there_is_no_quiet_the_response_tells_the_noise():
    # What is told of the whole recording by its quiet parts is the outside reference; bands that
    # the sweep passes last are not told. Standard errors over 12 seeds: 0.6 to 3.6 dB in single
    # bands, 0.39 dB of their mean.
    samples = clean(snr_db=25.0)
    whole = judge_recording(recording(samples), SWEEP)
    cut = samples[round(7.3 * RATE) : round((7.0 + SWEEP.duration + 0.3) * RATE)]
    quality = judge_recording(recording(cut), SWEEP)
    assert not quality.found(FindingCode.NOISE_UNKNOWN)
    told = np.isfinite(quality.snr_db)
    assert told[:8].all()
    assert not told[-1]
    away = (quality.snr_db - whole.snr_db)[told][2:]
    assert np.abs(away).max() < 6.0
    assert np.abs(away.mean()) < 3 * 0.39


def test_quiet_stretches_lie_in_pause_and_tail():
    _, model = levels(clean())
    pause, tail = quiet_stretches(model)
    assert 6.0 <= pause[0] < pause[1] <= 7.0
    assert 7.0 + SWEEP.duration + 0.5 < tail[0] < tail[1] < 7.01 + SWEEP.duration + SWEEP.tail


def test_noise_free_bands_have_a_very_high_ratio():
    assert levels(noisy(heard(), snr_db=100.0))[0].snr_db.min() > 55.0
