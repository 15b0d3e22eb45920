import math
from dataclasses import replace

import numpy as np
import pytest

from roomeq.base.recording import ChainConditions, ImpulseResponse, Recording, SweepDescription

# Novak, Lotton, Simon, JAES 63(10), 2015, eq. 49 and 18, worked out in the check values, section 4.
CONSTANTS = [
    (20, 20000, 10, 29, 1.45, 10.016245, (1.00506, 1.59299, 2.01013, 2.33368)),
    (10, 1000, 10, 22, 2.2, 10.131374, (1.52492, 2.41695, 3.04985, 3.54076)),
    (10, 500, 20, 51, 5.1, 19.951317, (3.53505, 5.60292, 7.07010, 8.20813)),
    (15, 240, 12, 65, 4.333333, 12.014551, (3.00364, 4.76065, 6.00728, 6.97423)),
    (10, 22000, 10, 13, 1.3, 10.005076, (0.90109, 1.42820, 1.80218, 2.09227)),
]


@pytest.mark.parametrize(
    ("start", "stop", "length", "periods", "growth", "duration", "advances"), CONSTANTS
)
def test_constants_of_the_synchronised_sweep(
    start, stop, length, periods, growth, duration, advances
):
    sweep = SweepDescription(start=start, stop=stop, length=length)
    assert sweep.periods == periods
    assert sweep.growth == pytest.approx(growth, abs=5e-7)
    assert sweep.duration == pytest.approx(duration, abs=5e-7)
    for order, advance in zip((2, 3, 4, 5), advances, strict=True):
        assert sweep.harmonic_advance(order) == pytest.approx(advance, abs=5e-6)


def test_defaults_are_the_safe_ones_of_the_brief():
    sweep = SweepDescription()
    assert (sweep.start, sweep.stop, sweep.level_dbfs) == (10.0, 500.0, -30.0)
    assert sweep.lead_in >= 5.0
    assert (sweep.channels, sweep.channel, sweep.repeats) == (1, 1, 1)
    assert sweep.lead_in_level_dbfs == -50.0
    assert sweep.amplitude == pytest.approx(10**-1.5)


def test_the_sweep_passes_its_ends_in_time():
    sweep = SweepDescription()
    assert sweep.time_of(sweep.start) == 0.0
    assert sweep.time_of(sweep.stop) == pytest.approx(sweep.duration)
    assert sweep.total == pytest.approx(sweep.lead_in + sweep.pause + sweep.duration + sweep.tail)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"start": 500.0, "stop": 10.0}, "start < stop"),
        ({"stop": 25000.0}, "start < stop <= 24000"),
        ({"start": math.nan}, "start < stop"),
        ({"level_dbfs": 1.0}, "level_dbfs must not lie above"),
        ({"level_dbfs": math.nan}, "level_dbfs must not lie above"),
        ({"lead_in_level_dbfs": -20.0}, "lead-in must not be louder"),
        ({"tail": math.inf}, "tail must be finite"),
        ({"length": 0.01}, "too short"),
        ({"fade_in": 20.0}, "too short"),
        ({"channel": 2}, "channel <= channels"),
        ({"repeats": 0}, "repeats >= 1"),
        ({"sample_rate": 48000.0}, "whole number"),
    ],
)
def test_unusable_descriptions_are_refused(changes, message):
    with pytest.raises(ValueError, match=message):
        SweepDescription(**changes)


def test_unanswered_conditions_are_named():
    conditions = ChainConditions(volume="-20 dB", crossover=" ")
    assert "volume" not in conditions.unanswered
    assert "crossover" in conditions.unanswered
    assert len(ChainConditions().unanswered) == 6


def test_a_recording_keeps_a_read_only_copy():
    samples = np.arange(4.0)
    recording = Recording(samples=samples, sample_rate=2, channel=2, channels=2, path="a.wav")
    samples[0] = 9.0
    assert recording.samples[0] == 0.0
    assert recording.duration == 2.0
    assert recording.place == "a.wav, channel 2 of 2"
    with pytest.raises(ValueError, match="read-only"):
        recording.samples[0] = 1.0


def test_read_only_samples_of_their_own_are_taken_without_a_copy():
    # three channels' worth of memory is all that a recording may cost
    samples = np.arange(4.0)
    samples.setflags(write=False)
    assert Recording(samples=samples, sample_rate=2).samples is samples
    view = np.arange(8.0)[::2]
    view.setflags(write=False)  # the array behind it can still be written to
    assert not np.shares_memory(Recording(samples=view, sample_rate=2).samples, view)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"samples": np.zeros((2, 2))}, "one-dimensional"),
        ({"samples": np.zeros(0)}, "not empty"),
        ({"samples": np.array([0.0, np.nan])}, "sample 1 is nan"),
        ({"samples": np.array([np.inf, -np.inf])}, "sample 0 is inf"),
        ({"samples": np.array([0.0, -1.7e308, -1.7e308])}, r"sample 1 is -1\.7e\+308"),
        ({"samples": np.array([0.0, 1.1e12])}, r"sample 1 is 1\.1e\+12"),
        ({"sample_rate": 0}, "must be finite and positive"),
        ({"channel": 3}, "does not exist"),
    ],
)
def test_unusable_recordings_are_refused(changes, message):
    values = {"samples": np.zeros(3), "sample_rate": 48000, "channels": 2} | changes
    with pytest.raises(ValueError, match=message):
        Recording(**values)


def test_times_of_an_impulse_response():
    impulse = ImpulseResponse(
        samples=np.zeros((3, 5)), sample_rate=10.0, start=-0.2, lowest=1.0, highest=4.0
    )
    np.testing.assert_allclose(impulse.times, [-0.2, -0.1, 0.0, 0.1, 0.2])
    assert impulse.end == pytest.approx(0.3)
    assert "time from the first arrival" in repr(impulse)
    assert "absolute time" in repr(replace(impulse, absolute_time=True))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"samples": np.array([np.nan])}, "must be finite"),
        ({"highest": 6.0}, "lowest < highest <= 5"),
        ({"lowest": math.nan}, "lowest < highest"),
        ({"start": math.nan}, "start must be finite"),
        ({"sample_rate": 0.0}, "sample_rate must be finite and positive"),
    ],
)
def test_unusable_impulse_responses_are_refused(changes, message):
    values = {
        "samples": np.zeros(4),
        "sample_rate": 10.0,
        "start": 0.0,
        "lowest": 1.0,
        "highest": 4.0,
    }
    with pytest.raises(ValueError, match=message):
        ImpulseResponse(**(values | changes))
