import numpy as np
import pytest
from recorded_rooms import plain_sweep

from roomeq.analysis.sweeps.deconvolution import BEFORE, LONGEST_DECAY, prepare_inverse
from roomeq.analysis.sweeps.segments import cut_segments
from roomeq.analysis.sweeps.sweep import playback_signal
from roomeq.base.recording import Recording


def wire(sweep, *, gain=1.0, delay=0):
    """The recording of a wire: the sweep itself, later and fainter."""
    return Recording(
        samples=gain * np.roll(playback_signal(sweep)[0], delay), sample_rate=sweep.sample_rate
    )


def inverse_for(sweep, recording, highest):
    return prepare_inverse(
        sweep,
        sample_rate=recording.sample_rate,
        frames=recording.samples.size,
        highest=highest,
    )


@pytest.mark.parametrize("highest", [300.0, None])
def test_a_wire_is_an_impulse_of_its_gain(highest):
    # Known truth: a wire of gain g has |H| = g at every frequency of the band and no phase.
    sweep = plain_sweep()
    recording = wire(sweep, gain=0.25, delay=120)
    inverse = inverse_for(sweep, recording, highest)
    cuts = cut_segments(recording, inverse=inverse, loopback=wire(sweep))
    (samples,) = cuts.several.samples
    spectrum = np.fft.rfft(np.roll(samples, round(cuts.several.start * inverse.low_rate)))
    axis = np.fft.rfftfreq(samples.size, 1 / inverse.low_rate)
    inside = (axis > 12.0) & (axis < 290.0)
    delayed = 0.25 * np.exp(-2j * np.pi * axis[inside] * 120 / sweep.sample_rate)
    np.testing.assert_allclose(spectrum[inside], delayed, atol=2e-4)
    assert cuts.loopback_gain_db == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("highest", [300.0, None])
def test_what_is_kept_around_time_zero(highest):
    sweep = plain_sweep(repeats=2)
    recording = wire(sweep)
    inverse = inverse_for(sweep, recording, highest)
    cuts = cut_segments(recording, inverse=inverse)
    before = min(BEFORE, 0.5 * sweep.harmonic_advance(2))
    assert -cuts.several.start == pytest.approx(before, abs=1e-3)
    after = cuts.several.end
    # From the moment the sweep has passed the highest frequency until the next one starts.
    passed = sweep.time_of(min(inverse.highest, sweep.stop))
    expected = min(sweep.duration + sweep.tail - passed, LONGEST_DECAY)
    assert after == pytest.approx(expected, abs=0.01)
    np.testing.assert_allclose(np.diff(cuts.starts), sweep.duration + sweep.tail, atol=2e-3)
    assert (cuts.found, cuts.cut_short, cuts.loopback_gain_db) == (2, 0, None)


@pytest.mark.parametrize("late", [0.25, 0.5, 3.3, -2.6])
def test_alignment_takes_out_fractions_of_a_sample(late):
    sweep = plain_sweep(repeats=2)
    played = playback_signal(sweep)[0]
    second = round((6.0 + sweep.duration + 0.5 * sweep.tail) * sweep.sample_rate)
    spectrum = np.fft.rfft(played[second:], 2 * played.size)
    axis = np.fft.rfftfreq(2 * played.size)
    moved = np.fft.irfft(spectrum * np.exp(-2j * np.pi * axis * 20 * late), 2 * played.size)
    played = np.concatenate((played[:second], moved[: played.size - second]))
    recording = Recording(samples=played, sample_rate=sweep.sample_rate)
    inverse = inverse_for(sweep, recording, 300.0)
    impulse = cut_segments(recording, inverse=inverse).several
    peak = np.abs(impulse.samples).max()
    assert np.abs(impulse.samples[0] - impulse.samples[1]).max() < 2e-3 * peak
    assert not impulse.absolute_time


@pytest.mark.parametrize("highest", [1500.0, None])
def test_the_first_arrival_is_not_the_strongest(highest):
    # A direct sound 6 dB below a reflection that comes 30 ms later.
    sweep = plain_sweep(start=20.0, stop=2500.0)
    played = playback_signal(sweep)[0]
    recording = Recording(
        samples=0.5 * played + np.roll(played, 180), sample_rate=sweep.sample_rate
    )
    inverse = inverse_for(sweep, recording, highest)
    impulse = cut_segments(recording, inverse=inverse).several
    strongest = impulse.times[int(np.argmax(np.abs(impulse.samples[0])))]
    assert strongest == pytest.approx(0.03, abs=2e-3)
