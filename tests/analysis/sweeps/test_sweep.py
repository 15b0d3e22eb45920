import numpy as np
import pytest
import scipy.signal

from roomeq.analysis.sweeps.sweep import (
    SWEEP_CAUTIONS,
    closed_form_inverse,
    exposure_minutes,
    playback_signal,
    sweep_signal,
)
from roomeq.base.recording import SweepDescription

BARE = {"fade_in": 0.0, "fade_out": 0.0, "level_dbfs": 0.0}


def test_the_sweep_follows_the_published_formula():
    # Novak et al. 2015, eq. 47; with a whole ratio of frequencies it ends at phase zero (sec. 2.5).
    sweep = SweepDescription(start=15.0, stop=240.0, length=12.0, **BARE)
    signal = sweep_signal(sweep)
    times = np.arange(signal.size) / sweep.sample_rate
    phase = 2 * np.pi * 65 * np.exp(times / (65 / 15.0))
    np.testing.assert_allclose(signal, np.sin(phase), atol=1e-9)
    end = 2 * np.pi * 65 * np.exp(sweep.duration / sweep.growth)
    assert end / (2 * np.pi) == pytest.approx(65 * 16)


def test_frequency_follows_time():
    # Instantaneous frequency by scipy's analytic signal, away from the ends.
    sweep = SweepDescription(start=20.0, stop=2000.0, length=4.0, **BARE)
    analytic = scipy.signal.hilbert(sweep_signal(sweep))
    frequency = np.diff(np.unwrap(np.angle(analytic))) * sweep.sample_rate / (2 * np.pi)
    for wanted in (50.0, 200.0, 1000.0):
        index = round(sweep.time_of(wanted) * sweep.sample_rate)
        near = frequency[index - 200 : index + 200].mean()
        assert near == pytest.approx(wanted, rel=0.01)


def test_level_spectrum_falls_by_3_db_per_octave():
    # Farina, AES 108th convention, 2000: -3.01 dB per octave.
    sweep = SweepDescription(start=10.0, stop=2000.0, length=20.0)
    spectrum = np.abs(np.fft.rfft(sweep_signal(sweep))) ** 2
    axis = np.fft.rfftfreq(round(sweep.duration * sweep.sample_rate), 1 / sweep.sample_rate)
    octaves = np.array([31.25, 62.5, 125, 250, 500, 1000])
    density = [spectrum[(axis > f / 2**0.5) & (axis < f * 2**0.5)].mean() for f in octaves]
    slope = np.polyfit(np.log2(octaves), 10 * np.log10(density), 1)[0]
    assert slope == pytest.approx(-3.0103, abs=0.02)


def test_the_closed_form_inverts_the_sweep():
    # Check values, section 4: flat to 0.1 dB (standard deviation) over 30 to 1500 Hz for a sweep
    # of 8 s from 20 to 2000 Hz without fades.
    sweep = SweepDescription(start=20.0, stop=2000.0, length=8.0, **BARE)
    signal = sweep_signal(sweep)
    length = 2 * signal.size
    axis = np.fft.rfftfreq(length, 1 / sweep.sample_rate)
    inverse = closed_form_inverse(axis, sweep=sweep, sample_rate=sweep.sample_rate)
    flat = np.fft.rfft(signal, length) * inverse
    inside = (axis > 30) & (axis < 1500)
    assert inverse[0] == 0
    assert np.std(20 * np.log10(np.abs(flat[inside]))) < 0.12
    assert np.abs(np.mean(np.angle(flat[inside]))) < 1e-3


@pytest.mark.parametrize("order", [2, 3])
def test_harmonics_lie_where_the_paper_says(order):
    # Novak et al. 2015, eq. 18: the n-th harmonic is the sweep, L ln n earlier.
    sweep = SweepDescription(start=10.0, stop=500.0, length=10.0, **BARE)
    harmonic = sweep_signal(sweep, order=order)
    shift = sweep.harmonic_advance(order)
    times = np.arange(harmonic.size) / sweep.sample_rate
    later = np.sin(2 * np.pi * sweep.periods * np.exp((times + shift) / sweep.growth))
    np.testing.assert_allclose(harmonic, later, atol=1e-8)


def test_a_harmonic_carries_the_fades_to_its_order():
    # With x = w sin(phase), the second harmonic w^2 sin(2 phase) has size 2 |x| sqrt(w^2 - x^2).
    sweep = SweepDescription(start=20.0, stop=500.0, level_dbfs=0.0, fade_in=0.5, fade_out=0.3)
    plain, harmonic = sweep_signal(sweep), sweep_signal(sweep, order=2)
    times = np.arange(plain.size) / sweep.sample_rate
    fade = np.minimum(times / 0.5, (sweep.duration - times) / 0.3)
    weight = 0.5 - 0.5 * np.cos(np.pi * np.clip(fade, 0.0, 1.0))
    size = 2 * np.abs(plain) * np.sqrt(np.maximum(weight**2 - plain**2, 0.0))
    np.testing.assert_allclose(np.abs(harmonic), size, atol=1e-6)


def test_any_rate_has_its_own_exact_sweep():
    sweep = SweepDescription(sample_rate=48000)
    np.testing.assert_allclose(
        sweep_signal(sweep)[::6], sweep_signal(sweep, sample_rate=8000), atol=1e-9
    )
    wide = SweepDescription(stop=20000.0)
    low = sweep_signal(wide, sample_rate=16000)
    assert low.size == round(wide.time_of(0.48 * 16000) * 16000)


def test_what_is_played_has_its_parts_in_order():
    sweep = SweepDescription(channels=3, channel=2, repeats=2, sample_rate=8000)
    played = playback_signal(sweep)
    assert played.shape == (3, round(sweep.total * 8000))
    assert not played[[0, 2]].any()
    lead, pause = round(sweep.lead_in * 8000), round(sweep.pause * 8000)
    signal = played[1]
    # -50 dBFS of noise is the rms of a sine at that level; fades of half a second at both ends.
    # Three standard errors of its rms, 4.34 / sqrt(B T) = 0.17 dB with B = 130 Hz.
    level_dbfs = 20 * np.log10(np.sqrt(2 * np.mean(signal[4000 : lead - 4000] ** 2)))
    assert level_dbfs == pytest.approx(-50.0, abs=3 * 0.17)
    assert not signal[lead : lead + pause].any()
    first = sweep_signal(sweep)
    tail = round(sweep.tail * 8000)
    for begin in (lead + pause, lead + pause + first.size + tail):
        np.testing.assert_array_equal(signal[begin : begin + first.size], first)
    assert np.abs(signal).max() <= sweep.amplitude
    assert not signal[-tail:].any()


def test_the_lead_in_wakes_in_the_bass():
    sweep = SweepDescription(sample_rate=8000)
    noise = playback_signal(sweep)[0, : round(sweep.lead_in * 8000)]
    power = np.abs(np.fft.rfft(noise)) ** 2
    axis = np.fft.rfftfreq(noise.size, 1 / 8000)
    assert power[(axis > 15) & (axis < 150)].sum() > 0.4 * power.sum()


def test_allowed_exposure():
    # NIOSH: 85 dBA 8 h, 3 dB exchange; 94 dBA 60 min, 100 dBA 15 min, 115 dBA 0.47 min.
    for level_dba, minutes in ((85, 480), (88, 240), (94, 60), (97, 30), (100, 15), (115, 0.47)):
        assert exposure_minutes(level_dba) == pytest.approx(minutes, rel=0.01)
    assert len(SWEEP_CAUTIONS) == 5


def test_misuse():
    sweep = SweepDescription()
    with pytest.raises(ValueError, match="cannot carry"):
        sweep_signal(sweep, sample_rate=40)
