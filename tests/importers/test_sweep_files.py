import json
import tracemalloc

import numpy as np
import pytest
import soundfile
from places import SAMPLES

from roomeq.analysis.sweeps.sweep import playback_signal
from roomeq.base.errors import MeasurementFileError
from roomeq.base.recording import ChainConditions, SweepDescription
from roomeq.importers.sweep_files import (
    count_channels,
    read_channels,
    read_recording,
    read_sweep_description,
    write_sweep,
)

SMALL = {"sample_rate": 8000, "length": 3.0}


def write(path, samples, rate=48000, **others):
    soundfile.write(path, samples, rate, **others)
    return path


@pytest.mark.parametrize(
    ("name", "subtype", "step"),
    [
        ("a.wav", "PCM_U8", 2**-7),
        ("a.wav", "PCM_16", 2**-15),
        ("a.wav", "PCM_24", 2**-23),
        ("a.wav", "PCM_32", 2**-31),
        ("a.wav", "FLOAT", 2**-24),
        ("a.wav", "DOUBLE", 0.0),
        ("a.flac", "PCM_16", 2**-15),
        ("a.flac", "PCM_24", 2**-23),
    ],
)
@pytest.mark.parametrize("rate", [8000, 44100, 192000])
def test_any_format_and_rate(tmp_path, name, subtype, step, rate):
    wanted = 0.5 * np.sin(np.arange(3000) / 7.0)
    path = write(tmp_path / name, wanted, rate, subtype=subtype)
    recording = read_recording(path)
    assert recording.sample_rate == rate
    assert recording.sample_format == subtype
    np.testing.assert_allclose(recording.samples, wanted, atol=1.01 * step)


def test_each_channel_by_itself(tmp_path):
    samples = np.arange(12.0).reshape(4, 3) / 16
    path = write(tmp_path / "three.wav", samples, subtype="DOUBLE")
    for channel in (1, 2, 3):
        recording = read_recording(path, channel=channel)
        np.testing.assert_array_equal(recording.samples, samples[:, channel - 1])
        assert (recording.channel, recording.channels) == (channel, 3)
    for found in (read_channels(path), reversed(read_channels(path, [3, 2, 1]))):
        np.testing.assert_array_equal([one.samples for one in found], samples.T)


def test_memory_stays_below_three_times_one_channel(tmp_path):
    frames = 1_500_000
    rng = np.random.default_rng(0)
    samples = rng.uniform(-0.5, 0.5, (frames, 4)).astype(np.float32)
    path = write(tmp_path / "four.wav", samples, subtype="PCM_16")
    del samples
    tracemalloc.start()
    recording = read_recording(path, channel=3)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3 * recording.samples.nbytes


def test_a_sweep_and_its_description_come_back(tmp_path):
    sweep = SweepDescription(
        channels=2,
        channel=2,
        repeats=2,
        conditions=ChainConditions(volume="-20 dB", equaliser="alle Bänder auf 0"),
        **SMALL,
    )
    played = playback_signal(sweep)
    sound, description = write_sweep(tmp_path / "sweep.wav", played, sweep=sweep)
    assert sound.name == "sweep.wav"
    assert description.name == "sweep.json"
    assert read_sweep_description(description) == sweep
    for channel in (1, 2):
        recording = read_recording(sound, channel=channel)
        np.testing.assert_allclose(recording.samples, played[channel - 1], atol=1.01 * 2**-23)
    assert count_channels(sound) == 2
    facts = soundfile.info(sound)
    assert (facts.samplerate, facts.channels, facts.frames) == (8000, 2, played.shape[1])
    assert (facts.subtype, facts.format) == ("PCM_24", "WAV")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["sweep.json", "sweep.wav"]


def test_a_failed_write_leaves_what_was_there(tmp_path, monkeypatch):
    sweep = SweepDescription(**SMALL)
    target = tmp_path / "sweep.wav"
    target.write_bytes(b"precious")

    def fail(path, *arguments, **options):
        path.write_bytes(b"half")
        raise OSError("disk full")

    monkeypatch.setattr(soundfile, "write", fail)
    with pytest.raises(OSError, match="disk full"):
        write_sweep(target, playback_signal(sweep), sweep=sweep, replace=True)
    assert target.read_bytes() == b"precious"
    assert not list(tmp_path.glob(".*"))


def test_a_file_is_replaced_as_a_whole(tmp_path):
    # Who has the old file open goes on reading the old one: renamed over, not written into.
    sweep = SweepDescription(**SMALL)
    target = tmp_path / "sweep.wav"
    target.write_bytes(b"old")
    (tmp_path / "kept").hardlink_to(target)
    write_sweep(target, playback_signal(sweep), sweep=sweep, replace=True)
    assert (tmp_path / "kept").read_bytes() == b"old"
    assert target.read_bytes()[:4] == b"RIFF"


@pytest.mark.parametrize("name", ["sweep.wav", "sweep.json"])
def test_a_recording_is_not_lost_to_a_mistyped_name(tmp_path, name):
    sweep = SweepDescription(**SMALL)
    (tmp_path / name).write_bytes(b"precious")
    with pytest.raises(MeasurementFileError, match=rf"{name}: exists.*left as it is.*another name"):
        write_sweep(tmp_path / "sweep.wav", playback_signal(sweep), sweep=sweep)
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [(name, b"precious")]


def test_misuse_of_writing(tmp_path):
    sweep = SweepDescription(**SMALL)
    with pytest.raises(ValueError, match=r"\.wav"):
        write_sweep(tmp_path / "a.flac", np.zeros((1, 9)), sweep=sweep)
    with pytest.raises(ValueError, match="1 channels as rows"):
        write_sweep(tmp_path / "a.wav", np.zeros((2, 9)), sweep=sweep)
    with pytest.raises(ValueError, match="full scale or is not finite"):
        write_sweep(tmp_path / "a.wav", np.full((1, 9), np.nan), sweep=sweep)
    with pytest.raises(ValueError, match="full scale or is not finite"):
        write_sweep(tmp_path / "a.wav", np.full((1, 9), 1.1), sweep=sweep)
    assert not list(tmp_path.iterdir())


def test_faults_of_sound_files(tmp_path):
    with pytest.raises(MeasurementFileError, match="no such file"):
        read_recording(tmp_path / "none.wav")
    text = tmp_path / "text.wav"
    text.write_text("frequency,level\n")
    with pytest.raises(MeasurementFileError, match=r"text\.wav.*cannot be read as sound"):
        read_recording(text)
    path = write(tmp_path / "one.wav", np.zeros(8))
    with pytest.raises(MeasurementFileError, match="no channel 2, only 1"):
        read_recording(path, channel=2)
    with pytest.raises(MeasurementFileError, match="holds no samples"):
        read_recording(write(tmp_path / "empty.wav", np.zeros((0, 1))))
    broken = write(tmp_path / "nan.wav", np.array([0.0, np.nan, 0.0]), subtype="FLOAT")
    with pytest.raises(MeasurementFileError, match=r"nan\.wav, channel 1.*sample 1 is nan"):
        read_recording(broken)


def test_a_damaged_file(tmp_path):
    rng = np.random.default_rng(0)
    path = write(tmp_path / "a.flac", rng.uniform(-0.5, 0.5, 200_000), subtype="PCM_16")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(MeasurementFileError, match=r"damaged|ends after"):
        read_recording(path)


def changed(tmp_path, **changes):
    sweep = SweepDescription(**SMALL)
    _, path = write_sweep(tmp_path / "sweep.wav", playback_signal(sweep), sweep=sweep)
    document = json.loads(path.read_text("utf-8"))
    for key, value in changes.items():
        table = document if key in document else document["sweep"]
        if value is None:
            del table[key]
        else:
            table[key] = value
    path.write_text(json.dumps(document), "utf-8")
    return path


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"format": "other"}, "not the description of a sweep"),
        ({"version": 2}, "version 2 is not known"),
        ({"pre_roll": 1.0}, "key 'pre_roll' is not known"),
        ({"stop": None}, "key 'stop' is missing"),
        ({"stop": "500"}, "sweep, stop: Expected `float`, got `str`"),
        ({"stop": float("nan")}, "start < stop"),
        ({"repeats": 1.5}, "sweep, repeats: Expected `int`, got `float`"),
        ({"repeats": True}, "sweep, repeats: Expected `int`, got `bool`"),
        ({"synchronised": 1}, "sweep, synchronised: Expected `bool`, got `int`"),
        ({"lead_in": -1.0}, "lead_in must be finite and not negative"),
        ({"conditions": {"weather": "dry"}}, "is not known"),
        ({"conditions": []}, "not a table"),
    ],
)
def test_faults_of_descriptions(tmp_path, changes, message):
    with pytest.raises(MeasurementFileError, match=message):
        read_sweep_description(changed(tmp_path, **changes))


def test_answers_must_be_text(tmp_path):
    path = changed(tmp_path)
    document = json.loads(path.read_text("utf-8"))
    document["sweep"]["conditions"]["volume"] = 3
    path.write_text(json.dumps(document), "utf-8")
    with pytest.raises(
        MeasurementFileError, match="sweep, conditions, volume: Expected `str`, got `int`"
    ):
        read_sweep_description(path)


def test_no_json_at_all(tmp_path):
    with pytest.raises(MeasurementFileError, match="no such file"):
        read_sweep_description(tmp_path / "none.json")
    path = tmp_path / "a.json"
    path.write_text('{"a": 1,\n oops}')
    with pytest.raises(MeasurementFileError, match=r"a\.json, line 2.*is not JSON"):
        read_sweep_description(path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(MeasurementFileError, match="is not JSON"):
        read_sweep_description(path)


def test_the_description_in_the_guide_is_that_of_another_programs_sweep(tmp_path):
    text = (SAMPLES / "GUIDE.md").read_text("utf-8").split("<!-- described sweep -->")[1]
    path = tmp_path / "sweep.json"
    path.write_text(text.split("```json")[1].split("```")[0], encoding="utf-8")
    sweep = read_sweep_description(path)
    assert not sweep.synchronised
    assert sweep.duration == 7.5  # as it stands there, not rounded to whole periods
    assert (sweep.lead_in, sweep.repeats) == (0.0, 1)
    # Farina 2000: f(t) = f1 exp(t / L) with L = T / ln(f2 / f1)
    assert sweep.growth == pytest.approx(7.5 / np.log(1000.0))


def test_a_file_that_cannot_be_opened_is_named_as_it_was_given(tmp_path, monkeypatch):
    def full(file, *_, **__):  # as on a disk with room for the description alone
        raise soundfile.LibsndfileError(2, prefix=f"Error opening {file}: ")

    monkeypatch.setattr(soundfile, "write", full)
    target = tmp_path / "s.wav"
    sweep = SweepDescription(**SMALL)
    with pytest.raises(OSError, match="System error") as refused:
        write_sweep(target, playback_signal(sweep), sweep=sweep)
    assert refused.value.filename == str(target)
    assert ".part" not in str(refused.value)
    assert list(tmp_path.iterdir()) == []
