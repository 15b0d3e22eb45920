"""Faults of recorded sweeps from file to finding, in rooms and with sweeps made apart.

Truth is the Fourier transform of the impulse response that the sound went through; the makers share
nothing with the library. Response errors are rms over what is used, within 25 dB of the maximum.
"""

from dataclasses import replace

import numpy as np
import pytest
from benchmarks import wrong_sweep_makers as make
from benchmarks.bench_wrong_sweeps import Bench

import roomeq

EXCITATIONS = ["own", "described", "reference"]


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    bench = Bench(tmp_path_factory.mktemp("bench"), 0, rate=12000)
    bench.heard = {}
    return bench


@pytest.fixture
def bench(shared):
    shared.rng = np.random.default_rng(11)
    return shared


def found(bench, case):
    """Codes of the alarms, worst first, and the error of the response in dB."""
    _, told, error, broke = bench.judge(case)
    assert not broke
    return [code for code, *_ in told], error


def heard(bench, excitation, **options):
    """What the room makes of an excitation; without options kept, and the noise goes on as then."""
    if options:
        return heard_anew(bench, excitation, **options)
    state = repr(bench.rng.bit_generator.state)
    if (excitation, state) not in bench.heard:
        case = heard_anew(bench, excitation)
        bench.heard[excitation, state] = case, bench.rng.bit_generator.state
    case, bench.rng.bit_generator.state = bench.heard[excitation, state]
    return replace(case)


def heard_anew(bench, excitation, **options):
    names = ("peak", "noise_db", "colour", "decay", "drive", "before", "after")
    room = {name: options.pop(name) for name in names if name in options}
    return bench.hear(bench.base("", "", excitation, **options), **room)


@pytest.mark.parametrize("silence", [0.0, 3.0])
@pytest.mark.parametrize("excitation", ["reference", "linear"])
def test_silence_around_a_reference_costs_nothing(bench, excitation, silence):
    codes, error = found(bench, heard(bench, excitation, silence=silence, lead=silence / 2))
    assert codes == []
    assert error < 0.06


def test_the_file_that_was_written_to_play_is_a_reference(bench):
    case = heard(bench, "own")
    case.reference, case.reference_rate, case.description = case.played, case.rate, None
    codes, error = found(bench, case)
    assert codes == []
    assert error < 0.06


@pytest.mark.parametrize("excitation", EXCITATIONS)
def test_a_recording_that_ends_with_the_sweep_tells_the_bass(bench, excitation):
    rate = 48000 if excitation == "own" else bench.rate
    case = heard(bench, excitation, decay=0.7, rate=rate)
    case.microphone = case.microphone[: round(case.at(case.sweep_length) * case.rate)]
    codes, error = found(bench, case)
    assert codes == []
    assert error < 0.06


@pytest.mark.parametrize("excitation", ["described", "reference"])
def test_a_decay_that_the_recording_cuts_is_a_fault_of_its_bands(bench, excitation):
    case = heard(bench, excitation, decay=1.5, stop=180.0, length=6.0)
    case.microphone = case.microphone[: round(case.at(case.sweep_length) * case.rate)]
    _, told, _, _ = bench.judge(case)
    code, severity, remedy, what = told[0]
    assert (code, severity) == ("decay_cut", "fault")
    assert "125 Hz" in what
    assert "go on recording" in remedy


@pytest.mark.parametrize("excitation", EXCITATIONS)
def test_noise_is_told(bench, excitation):
    codes, _ = found(bench, heard(bench, excitation, noise_db=3.0, colour="brown"))
    assert codes[0] == "low_snr"


@pytest.mark.parametrize("excitation", EXCITATIONS)
def test_hum_is_told(bench, excitation):
    case = heard(bench, excitation)
    line = make.hum(bench.rng, case.microphone.size, case.rate, 50.0)
    case.microphone = case.microphone + 0.02 * line
    codes, _ = found(bench, case)
    assert "hum" in codes
    assert set(codes) <= {"hum", "low_snr"}


@pytest.mark.parametrize("excitation", EXCITATIONS)
def test_half_a_recording_is_told(bench, excitation):
    case = heard(bench, excitation)
    half = round(case.at(2.5) * case.rate)
    later = replace(case, microphone=case.microphone[half:])
    assert found(bench, replace(case, microphone=case.microphone[:half]))[0][0] == "end_missing"
    assert found(bench, later)[0][0] == "start_missing"


@pytest.mark.parametrize("excitation", EXCITATIONS)
def test_another_sweep_rate_or_speed_is_told(bench, excitation):
    case = heard(bench, excitation)
    other = make.exponential(10.0, 500.0, 6.0, case.rate, peak=0.3)
    quiet = np.zeros(case.rate)
    another = replace(case, played=np.concatenate((quiet, other, quiet)), sweep_at=1.0)
    assert found(bench, bench.hear(another))[0] == ["wrong_sweep"]
    assert found(bench, replace(case, header_rate=11025))[0] == ["wrong_sample_rate"]
    faster = replace(case, microphone=make.stretched(case.microphone, 0.95))
    assert found(bench, faster)[0] == ["wrong_sweep"]


@pytest.mark.parametrize("excitation", EXCITATIONS)
def test_channels_are_told_apart(bench, excitation):
    """The right way round with every excitation, and each mistake with one of them."""
    case = bench.with_loopback(heard(bench, excitation))
    assert found(bench, case)[0] == []
    dead = 1e-5 * bench.rng.standard_normal(case.microphone.size)
    if excitation == "own":
        assert found(bench, replace(case, swapped=True))[0] == ["channels_swapped"]
        second = bench.hear(replace(case)).microphone
        assert found(bench, replace(case, loopback=second))[0] == ["not_a_loopback"]
    elif excitation == "described":
        assert found(bench, replace(case, microphone=case.loopback))[0] == ["no_room_heard"]
        assert "sweep_not_found" in found(bench, replace(case, microphone=dead))[0]
    for level in [0.0, 1.0] if excitation == "reference" else []:
        _, told, _, _ = bench.judge(replace(case, loopback=level * dead))
        assert told[0][0] in {"silent_channel", "sweep_not_found"}
        assert "loopback's cable" in told[0][2]
        assert "phantom" not in told[0][2]


def test_a_faint_loopback_is_not_the_microphones_matter(bench):
    _, told, _, _ = bench.judge(bench.with_loopback(heard(bench, "own"), gain=0.008))
    ((code, _, remedy, _),) = told
    assert code == "low_level"
    assert "loopback's input" in remedy


@pytest.mark.parametrize(
    ("excitation", "between"), [*((each, False) for each in EXCITATIONS), ("described", True)]
)
def test_samples_lost_in_one_of_three_sweeps_are_no_drift(bench, excitation, between):
    options = dict(tail=2) if excitation == "own" else {}
    case = heard(bench, excitation, repeats=3, length=4, **options)
    if excitation == "reference":
        case.reference = case.played
    period = 4.0 + (2.0 if excitation == "own" else 2.5)
    at = round((case.at(5.0 if between else 2.0) + (0.0 if between else period)) * case.rate)
    case.microphone = np.delete(case.microphone, slice(at, at + 200))
    codes, _ = found(bench, case)
    assert codes[0] in {"dropped_samples", "repeats_disagree"}
    assert "clock_drift" not in codes


def test_a_gain_control_is_told_by_the_lead_in(bench):
    case = heard(bench, "own")
    case.microphone = make.gain_control(case.microphone, case.rate, most_db=6.0)
    codes, _ = found(bench, case)
    assert codes == ["gain_changed"]


def test_where_a_gain_was_turned_is_told(bench):
    case = heard(bench, "own", peak=0.2)
    case.microphone = make.gain_step(case.microphone, case.rate, at=case.at(2.4), step_db=-4.0)
    _, told, _, _ = bench.judge(case)
    code, severity, _, what = told[0]
    assert (code, severity) == ("gain_changed", "fault")
    # 10 Hz exp(2.4 s / 1.3 s) = 63 Hz; octaves begin at 49 and 102 Hz
    since = float(what.split("it changed while the sweep passed about ")[1].split(" Hz")[0])
    assert 45.0 < since < 125.0


def test_a_clean_lead_in_agrees_and_without_one_the_gain_is_not_told(bench):
    notes = {}
    for excitation in ("own", "described"):
        bench.judge(heard(bench, excitation))
        (recorded,) = roomeq.read_room(bench.folder / "room").recordings
        notes[excitation] = {one.code.value for one in recorded.findings}
    assert "gain_unknown" not in notes["own"]
    assert "gain_unknown" in notes["described"]


def test_any_exponential_sweep_can_be_described(bench):
    for start, length in ((9.37, 3.7), (14.9, 7.3)):
        case = bench.with_loopback(heard(bench, "described", start=start, length=length))
        codes, error = found(bench, case)
        assert codes == []
        assert error < 0.06


def test_an_amplifier_that_wakes_late_is_no_other_sweep(bench):
    case = bench.base("", "")
    drive = case.played.copy()
    drive[: round((case.sweep_at + 3.2) * case.rate)] = 0.0
    codes, _ = found(bench, bench.hear(case, drive=drive))
    assert codes[0] == "start_missing"
    assert "wrong_sweep" not in codes


def test_a_late_wake_in_rumble_is_told(bench):
    case = bench.base("", "")
    drive = case.played.copy()
    awake = round((case.sweep_at + 2.6) * case.rate)
    drive[:awake] = 0.0
    drive[awake : awake + 2000] *= np.linspace(0, 1, 2000)
    codes, _ = found(bench, bench.hear(case, drive=drive, noise_db=30.0, colour="brown"))
    assert codes[0] == "start_missing"


@pytest.mark.parametrize("excitation", EXCITATIONS)
def test_two_sweeps_where_one_is_described(bench, excitation):
    case = bench.base("", "", excitation)
    once = case.played[round(case.sweep_at * case.rate) :]
    case.played = np.concatenate((case.played, once))
    _, told, error, _ = bench.judge(bench.hear(case))
    assert error < 0.06
    if excitation == "reference":  # it does not say how often it was played
        assert not told
        return
    ((code, _, _, what),) = told
    assert code == "sweeps_missing"
    assert "2 sweeps were found, and 1" in what


@pytest.mark.parametrize("excitation", EXCITATIONS)
def test_an_overdriven_loudspeaker_is_no_slam(bench, excitation):
    """What is driven hard has harmonics beyond the fifth, where else only a slam is heard."""
    case = bench.base("", "", excitation)
    codes, _ = found(bench, bench.hear(case, drive=make.bent(case.played, 0.25)))
    assert codes[0] == "distortion" or set(codes) == {"distortion", "gain_changed"}
    case = bench.base("", "", excitation)
    share = 0.5 if excitation == "described" else 0.15
    codes, _ = found(bench, bench.hear(case, drive=make.clipped(case.played, share)))
    assert "distortion" in codes
    assert "disturbance" not in codes


@pytest.mark.parametrize("share", [0.5, 0.25, 0.12])
def test_what_a_clipped_input_bends_is_no_slam(bench, share):
    case = heard(bench, "own", noise_db=60.0)
    most = share * np.abs(case.microphone).max()
    codes, _ = found(bench, replace(case, microphone=np.clip(case.microphone, -most, most)))
    assert codes[0] == "clipping"
    assert "disturbance" not in codes


def test_eight_bits_are_neither_clipping_nor_gaps(bench):
    case = heard(bench, "own")
    case.microphone, case.subtype = make.compressed(case.microphone), "PCM_16"
    assert found(bench, case)[0] == ["coarse_samples"]


def test_steps_of_16_bits_are_no_slam(bench):
    case = heard(bench, "own", peak=0.0008, noise_db=60.0)
    case.subtype = "PCM_16"
    codes, _ = found(bench, case)
    assert "low_level" in codes
    assert set(codes) <= {"low_level", "low_snr"}


@pytest.mark.parametrize(
    ("excitation", "peak"), [*((each, 0.1) for each in EXCITATIONS), ("own", 0.4)]
)
def test_a_slam_is_still_one(bench, excitation, peak):
    case = heard(bench, excitation)
    slam = make.slam(bench.rng, case.microphone.size, case.rate, case.at(2.2))
    case.microphone = case.microphone + peak * slam
    assert found(bench, case)[0][0] == "disturbance"
