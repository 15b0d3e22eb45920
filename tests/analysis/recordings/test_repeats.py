import numpy as np
import pytest
from quality_recordings import SWEEP, clean, codes, played, recording

from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.analysis.recordings.quality import judge_recording


def loopback_of(samples):
    return recording(samples, channel=2, channels=2)


def judged_together(recordings):
    earlier = []
    return [judge_recording(one, SWEEP, earlier=earlier) for one in recordings]


def wire():
    return 0.5 * played() + 1e-5 * np.random.default_rng(2).standard_normal(played().size)


def test_swapped_channels():
    quality = judge_recording(recording(wire()), SWEEP, loopback=loopback_of(clean()))
    assert FindingCode.CHANNELS_SWAPPED in {one.code for one in quality.findings}
    assert Severity.FAULT in {one.severity for one in quality.findings}


@pytest.mark.parametrize("decay_time", [0.3, 1.0])
def test_the_right_way_round_nothing_is_swapped(decay_time):
    for seat in range(2):
        quality = judge_recording(
            recording(clean(decay_time, seat)), SWEEP, loopback=loopback_of(wire())
        )
        assert codes(quality) == set()


def test_a_loopback_in_the_place_of_the_microphone():
    assert codes(judge_recording(recording(wire()), SWEEP)) == {"no_room_heard"}


def test_two_wires_are_not_swapped():
    quality = judge_recording(recording(wire()), SWEEP, loopback=loopback_of(wire()))
    assert codes(quality) == {"no_room_heard"}


def test_a_silent_loopback_is_named_by_its_channel():
    quality = judge_recording(
        recording(clean()), SWEEP, loopback=loopback_of(np.zeros(clean().size))
    )
    (found,) = quality.found(FindingCode.SILENT_CHANNEL)
    assert found.channel == 2


CHANGES = {
    "as it is": lambda samples: samples,
    "another gain": lambda samples: 0.3 * samples,
    "cut at the start": lambda samples: samples[777:],
    "16 bits": lambda samples: np.round(samples * 2**15) / 2**15,
    "turned over": lambda samples: -samples,
}


@pytest.mark.parametrize("name", CHANGES)
def test_the_same_recording_under_another_name(name):
    first = recording(clean(), path="left.wav")
    again = recording(CHANGES[name](clean()), path="right.wav")
    qualities = judged_together([first, again])
    assert not qualities[0].found(FindingCode.SAME_RECORDING)
    (found,) = qualities[1].found(FindingCode.SAME_RECORDING)
    assert "left.wav" in found.what


def test_seats_and_repeated_measurements_are_not_the_same():
    # Neither four seats nor one seat measured three times: the room is shared, the noise is not.
    several = [recording(clean(0.5, seat)) for seat in range(4)]
    several += [recording(clean(0.5, 0, seed)) for seed in (1, 2)]
    assert all(codes(one) == set() for one in judged_together(several))


@pytest.mark.parametrize(("shared", "seen"), [(1.0, True), (0.9, False), (0.0, False)])
def test_how_much_of_the_noise_must_be_the_same(shared, seen):
    quiet = clean(snr_db=300.0)
    noise = [clean(seed=seed) - quiet for seed in (0, 1)]
    other = quiet + shared * noise[0] + np.sqrt(1 - shared**2) * noise[1]
    found = judged_together([recording(quiet + noise[0]), recording(other)])
    assert bool(found[1].found(FindingCode.SAME_RECORDING)) is seen
