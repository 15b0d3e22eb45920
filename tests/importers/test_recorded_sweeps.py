"""Recorded sweeps named in a room file: from the sound file to a proposal."""

import json
import shutil
import tracemalloc

import numpy as np
import pytest
import scipy.signal
import soundfile
from quality_recordings import FULL_RATE, clean, heard, noisy
from quality_recordings import played as played_by
from recording_rooms import drifted, slammed, wire, write_room

from roomeq.analysis.sweeps.sweep import playback_signal
from roomeq.base.errors import MeasurementFileError, RoomFileError
from roomeq.cli.main import main
from roomeq.importers.recorded_sweeps import SweepReading
from roomeq.importers.room import read_room
from roomeq.importers.room_file.reading import read_room_file
from roomeq.importers.sweep_files import write_sweep

ROOM = """\
format = 1
name = "Attic"

[sweep]
description = "sweep.json"

[[measurements]]
seat = "bed"
kind = "sweep"
file = "bed.flac"
channel = 1
loopback_channel = 2

[levels]
comparable = true
"""
RATE = 8000
DELAY = 24  # samples from loudspeaker to microphone: 3 ms


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """Return a folder with the sweep that the command line wrote, and what it holds."""
    folder = tmp_path_factory.mktemp("sweep")
    words = ["sweep", str(folder / "sweep.wav"), "--rate", str(RATE), "--length", "6"]
    words += ["--tail", "2", "--stop", "400", "--level", "-20", "--volume", "-10"]
    assert main(words) == 0
    signal = soundfile.read(folder / "sweep.wav")[0]
    soundfile.write(folder / "bed.flac", recorded(signal), RATE, subtype="PCM_24")
    (folder / "room.toml").write_text(ROOM, "utf-8")
    return folder, signal


@pytest.fixture(scope="module")
def described(played):
    """The response of the room as it is described."""
    return read_room(played[0]).survey.measurements[0].response


def resonator():
    """Return a loudspeaker's room: a second-order resonance of +9 dB at 40 Hz."""
    return scipy.signal.iirpeak(40, 2.5, fs=RATE)


def recorded(signal, gain=0.5):
    """Return microphone and loopback; the recorder ran from before to after the sweep."""
    signal = np.concatenate([np.zeros(RATE), signal, np.zeros(3 * RATE)])
    b, a = resonator()
    heard = signal + 1.8 * scipy.signal.lfilter(b, a, signal)
    heard = gain * np.concatenate([np.zeros(DELAY), heard])[: signal.size]
    noise = np.random.default_rng(5).normal(0, 2e-5, signal.size)
    return np.column_stack([heard + noise, 0.7 * signal])


@pytest.fixture
def folder(played, tmp_path):
    for name in ("sweep.json", "bed.flac", "room.toml"):
        shutil.copyfile(played[0] / name, tmp_path / name)
    return tmp_path


def test_response_is_that_of_the_filters(described):
    # scipy.signal.freqz of the filters the signal went through is the outside reference
    response = described
    inside = (response.frequencies > 18) & (response.frequencies < 150)
    frequencies = response.frequencies[inside]
    _, resonance = scipy.signal.freqz(*resonator(), worN=frequencies, fs=RATE)
    expected = 0.5 * (1 + 1.8 * resonance) * np.exp(-2j * np.pi * frequencies * DELAY / RATE)
    level = 20 * np.log10(np.abs(expected))
    np.testing.assert_allclose(response.level_db[inside], level, atol=0.1)
    turned = np.angle(response.pressure[inside] / expected, deg=True)
    assert np.abs(turned).max() < 2.0  # loopback: absolute time is known, 3 ms of travel too
    assert response.level_reference == "relative"


def test_stated_sensitivity_gives_sound_pressure_level(folder, described):
    text = ROOM + "\n[calibration]\nsame_gain = true\nlevel_dbfs = -30\nlevel_db = 94\n"
    (folder / "room.toml").write_text(text, "utf-8")
    response = read_room(folder).survey.measurements[0].response
    assert response.level_reference == "spl"
    # a -20 dBFS sine through unity gain shows -20 dBFS: 10 dB above the -30 dBFS of 94 dB
    shift = response.level_db - described.level_db
    np.testing.assert_allclose(shift, 94 + 30 - 20, atol=0.01)


def test_calibrator_recording_gives_the_same(folder, described):
    time = np.arange(5 * RATE) / RATE
    tone = 10 ** (-30 / 20) * np.sin(2 * np.pi * 1000 * time)
    soundfile.write(folder / "tone.wav", tone, RATE, subtype="PCM_24")
    text = ROOM + '\n[calibration]\nsame_gain = true\nfile = "tone.wav"\n'
    (folder / "room.toml").write_text(text, "utf-8")
    room = read_room(folder)
    shift = room.survey.measurements[0].response.level_db - described.level_db
    np.testing.assert_allclose(shift, 94 + 30 - 20, atol=0.02)
    assert {entry.role for entry in room.inputs} >= {"sweep", "calibration", "measurement"}


def test_reference_recording_instead_of_a_description(folder, played, described):
    soundfile.write(folder / "played.wav", played[1], RATE, subtype="PCM_24")
    text = ROOM.replace('description = "sweep.json"', 'reference = "played.wav"')
    (folder / "room.toml").write_text(text, "utf-8")
    response = read_room(folder).survey.measurements[0].response
    axis = np.geomspace(20, 140, 40)
    one = np.interp(axis, described.frequencies, described.level_db)
    other = np.interp(axis, response.frequencies, response.level_db)
    np.testing.assert_allclose(other, one, atol=0.2)


def test_proposal_from_a_recorded_sweep(folder, capsys):
    main(["propose", str(folder), "--json"])
    plan = json.loads(capsys.readouterr().out)
    gains = {band["label"]: band["gain_db"] for band in plan["bands"]}
    assert gains["40"] <= -4
    assert not any(caution["code"] == "noise_unknown" for caution in plan["cautions"])


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('[sweep]\ndescription = "sweep.json"\n', "", "it is not said what was played"),
        ('description = "sweep.json"', "", "needs one of 'description' and 'reference'"),
        ('description = "sweep.json"', 'description = "swep.json"', "nearest there: 'sweep.json'"),
        ("loopback_channel = 2", "loopback_channel = 1", "are the same channel"),
        ("loopback_channel = 2", "loopback_channel = 3", "there is no channel 3"),
        ("channel = 1", "channel = 0", "channels count from 1"),
        (
            "channel = 1",
            'decimal = ","',
            '"response" or "band_levels", not "sweep"',
        ),
        ('kind = "sweep"\n', "", 'belongs to kind = "sweep", not "response"'),
        (
            "channel = 1",
            'weighting = "C"',
            '"response" or "band_levels", not "sweep"',
        ),
        ("[levels]", "[calibration]\nsame_gain = true\n\n[levels]", "needs one of 'file' and"),
        (
            "[levels]",
            "[calibration]\nsame_gain = false\nlevel_dbfs = -20\n\n[levels]",
            "the gain was not the same",
        ),
    ],
)
def test_contradictions_are_pointed_at(folder, old, new, said):
    assert old in ROOM
    (folder / "room.toml").write_text(ROOM.replace(old, new, 1), "utf-8")
    with pytest.raises((RoomFileError, MeasurementFileError)) as fault:
        read_room(folder)
    assert said in str(fault.value)


def test_a_recording_without_the_sweep_is_refused(folder):
    noise = np.random.default_rng(1).normal(0, 0.01, (20 * RATE, 2))
    soundfile.write(folder / "bed.flac", noise, RATE, subtype="PCM_24")
    with pytest.raises(MeasurementFileError, match=r"bed\.flac"):
        read_room(folder)


def test_a_reference_is_judged_as_fully_as_a_description(folder, played, capsys):
    soundfile.write(folder / "played.wav", played[1], RATE, subtype="PCM_24")
    text = ROOM.replace('description = "sweep.json"', 'reference = "played.wav"')
    (folder / "room.toml").write_text(text, "utf-8")
    assert main(["check", str(folder), "--detail"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "nothing wrong" in said
    assert "no whole sweep of a known kind" not in said
    columns = recorded(played[1])
    columns[:, 0] = np.clip(columns[:, 0], -0.06, 0.06)
    soundfile.write(folder / "bed.flac", columns, RATE, subtype="PCM_24")
    assert main(["check", str(folder)]) == 1
    assert "FAULT, clipping" in " ".join(capsys.readouterr().out.split())


def test_memory_stays_below_three_times_one_channel(tmp_path):
    samples = clean(sweep=FULL_RATE)
    write_sweep(tmp_path / "sweep.wav", playback_signal(FULL_RATE), sweep=FULL_RATE)
    loopback = 0.5 * played_by(FULL_RATE)
    rows = np.column_stack([samples, loopback])
    soundfile.write(tmp_path / "bed.flac", rows, 48000, subtype="PCM_24")
    (tmp_path / "room.toml").write_text(ROOM, "utf-8")
    room_file = read_room_file(tmp_path)
    for turn in range(2):  # what is kept for all recordings is made in the first
        reading = SweepReading(room_file=room_file)
        tracemalloc.start()
        reading(room_file.measurements[0])
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert turn == 0 or peak < 3 * samples.nbytes


@pytest.mark.parametrize("loopback", [False, True])
def test_drift_is_mended_and_the_response_is_that_without_it(tmp_path, loopback):
    def read(ppm):
        samples = drifted(heard(0.5, 0), ppm)
        entry = ("bed", "bed.wav", noisy(samples, seed=1, snr_db=60.0))
        entry = (*entry, drifted(wire(), ppm)) if loopback else entry
        return read_room(write_room(tmp_path, [entry]))

    true, found = read(0.0), read(150.0)
    (recorded_sweep,) = found.recordings
    (said,) = recorded_sweep.findings
    assert "mended by" in said.what
    assert ("loopback" in said.what.split("mended by")[1]) is loopback
    assert recorded_sweep.drift_mended_by
    axis = np.geomspace(20.0, 125.0 if loopback else 280.0, 200)
    levels = [
        np.interp(axis, one.frequencies, one.level_db)
        for one in (r.survey.measurements[0].response for r in (true, found))
    ]
    strong = levels[0] > levels[0].max() - 25.0
    # left in, 150 ppm of 8 s move levels above 125 Hz by up to 0.7 dB
    atol = 0.15 if loopback else 0.08
    np.testing.assert_allclose(levels[1][strong], levels[0][strong], atol=atol)


def test_little_drift_is_left_in_and_said(tmp_path):
    samples = noisy(drifted(heard(0.5, 0), 6.0), seed=1, snr_db=60.0)
    (one,) = read_room(write_room(tmp_path, [("bed", "bed.wav", samples)])).recordings
    (said,) = one.findings
    assert said.what.endswith("; not mended")
    assert one.drift_mended_by is None


def test_distortion_is_not_told_by_a_spoilt_recording(tmp_path):
    room_file = read_room_file(write_room(tmp_path, [("bed", "bed.wav", slammed())]))
    reading = SweepReading(room_file=room_file)
    reading(room_file.measurements[0])
    assert reading.recordings[0].distortion is None
