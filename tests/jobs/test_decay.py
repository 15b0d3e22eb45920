"""Decay of a room's recorded sweeps, before and as predicted.

Decay with other band gains: against the poles and zeros of a single damped mode.

A mode is ``1 / (s^2 + 2 sigma s + w^2)``; the level of its ringing falls by 60 dB in
3 ln(10) / sigma (the definition of the decay time). A peaking section of the Audio EQ Cookbook (W3C
Note, analogue prototype) has zeros with damping ``A w / (2 Q)`` and poles with ``w / (2 A Q)``,
``A = 10^(dB/40)``.
"""

import re
from dataclasses import replace

import numpy as np
import pytest
from formulas import peaking_coefficients
from places import SAMPLES
from scipy.signal import lfilter

from roomeq.analysis.sweeps.decay import estimate_decay
from roomeq.analysis.sweeps.windowing import estimate_decay_lines
from roomeq.base.bands import third_octave_band
from roomeq.base.recording import ImpulseResponse
from roomeq.device.equaliser import BandShape, FixedBandEqualiser, QLaw
from roomeq.importers.room import read_room
from roomeq.jobs.decay import predict_impulse_response, room_decays


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    """The sample with three of its five recordings, one of which tells no decay."""
    sample, folder = SAMPLES / "village_library", tmp_path_factory.mktemp("library")
    text = (sample / "room.toml").read_text("utf-8")
    parts = re.split(r"(?=\[\[seats\]\]|\[\[measurements\]\]|\[sweep\])", text)
    text = "".join(one for one in parts if "front row right" not in one and "desk" not in one)
    (folder / "room.toml").write_text(text, "utf-8")
    for name in re.findall(r'\b(?:file|description) = "(.+)"', text):
        (folder / name).write_bytes((sample / name).read_bytes())
    return read_room(folder, detail=True)


def test_every_recording_of_the_fitted_source_has_its_decay(library):
    found = room_decays(library, gains_db=library.present.gains_db)
    clear = [row for row in library.recordings if row.decay is not None]
    # something else was heard at the window seat, and looks like decay
    assert {row.seat for row in library.recordings} - {row.seat for row in clear} == {"window seat"}
    assert [(row.seat, row.file) for row in found] == [(row.seat, row.file) for row in clear]
    for row, recorded in zip(found, clear, strict=True):
        np.testing.assert_array_equal(row.before.t20, recorded.decay.t20)
        # nothing is changed, so nothing changes
        np.testing.assert_allclose(row.predicted.t20, row.before.t20, rtol=1e-6)


def test_gains_and_those_in_force_are_used(library):
    gains = np.full(9, -6.0)
    found = room_decays(library, gains_db=gains)[0]
    response = library.recordings[0].impulse_response
    wanted = predict_impulse_response(
        response,
        equaliser=library.equaliser,
        gains_db=gains,
        present_gains_db=library.present.gains_db,
    )
    np.testing.assert_array_equal(found.predicted.t20, estimate_decay(wanted).t20)
    np.testing.assert_array_equal(found.before.t20, estimate_decay(response).t20)
    assert library.present.gains_db.any()  # else they could be left out unseen


def test_other_sources_and_rooms_without_recordings_are_left_out(library):
    others = tuple(replace(row, source="mains") for row in library.recordings[1:])
    mixed = replace(library, recordings=(library.recordings[0], *others))
    assert len(room_decays(mixed, gains_db=np.zeros(9))) == 1
    silent = replace(library, recordings=())
    assert room_decays(silent, gains_db=np.zeros(9)) == ()


def test_level_over_time_goes_with_the_gains(library):
    found = room_decays(library, gains_db=library.present.gains_db)[0]
    np.testing.assert_allclose(found.predicted_lines.level_db, found.lines.level_db, atol=1e-6)
    assert found.lines.times[-1] == pytest.approx(max(0.6, found.before.longest), abs=0.01)
    response = library.recordings[0].impulse_response
    wanted = estimate_decay_lines(response, until=float(found.before.longest))
    np.testing.assert_array_equal(found.lines.level_db, wanted.level_db)
    cut = room_decays(library, gains_db=np.array([0, 0, 0, -12, 0, 0, 0, 0, 0]))[0]
    row = [band.label for band in cut.lines.bands].index("40")
    assert np.abs(cut.predicted_lines.level_db - cut.lines.level_db)[row].max() > 1.0


def test_the_window_of_a_recording_is_kept(library):
    for row in library.recordings:
        assert (row.window is None) == (row.impulse_response is None)
    kept = [row for row in library.recordings if row.window is not None]
    for row in kept:
        (entry,) = [m for m in library.survey.measurements if m.file == row.file]
        said = f"window {row.window.length:.3f} s"  # what was done, as the importer tells it
        assert any(said in note for note in entry.notes)


RATE = 2000.0
BAND = third_octave_band(63.0)
OMEGA = 2 * np.pi * BAND.centre
Q = 24.0


def equaliser(q=Q, **others):
    return FixedBandEqualiser(
        bands=(BAND,),
        lowest_db=-12.0,
        highest_db=6.0,
        step_db=0.5,
        q_law=QLaw.constant(q),
        **others,
    )


def mode(sigma, seconds=8.0):
    time = np.arange(round(seconds * RATE)) / RATE
    ringing = np.exp(-sigma * time) * np.sin(np.sqrt(OMEGA**2 - sigma**2) * time)
    return ImpulseResponse(samples=ringing, sample_rate=RATE, start=0.0, lowest=30.0, highest=150.0)


def at_63(decay):
    return decay.times[np.argmin(np.abs(decay.frequencies - BAND.centre))]


def decay_time(sigma):
    return 3.0 * np.log(10.0) / sigma


@pytest.mark.parametrize("gain_db", [-6.0, -4.0, -2.0])
def test_a_matching_cut_takes_the_mode_away_and_rings_in_its_place(gain_db):
    a = 10 ** (gain_db / 40)
    sigma = a * OMEGA / (2 * Q)  # the poles of the mode are the zeros of the cut
    before = mode(sigma)
    assert at_63(estimate_decay(before)) == pytest.approx(decay_time(sigma), rel=0.02)
    after = predict_impulse_response(before, equaliser=equaliser(), gains_db=[gain_db])
    cut = estimate_decay(after)
    # what is left has the poles of the cut: decay time times 10^(dB/20), in closed form
    assert at_63(cut) == pytest.approx(decay_time(sigma) * 10 ** (gain_db / 20), rel=0.02)
    time = np.arange(after.samples.size) / RATE
    other = sigma / a**2
    root = np.sqrt(OMEGA**2 - other**2)
    exact = np.sqrt(OMEGA**2 - sigma**2) / root * np.exp(-other * time) * np.sin(root * time)
    # sampling folds the mode's spectrum a little: 1 % of the peak
    assert np.abs(after.samples - exact).max() < 0.01 * np.abs(exact).max()


def test_a_cut_that_does_not_match_leaves_the_modes_own_decay():
    # a broad cut: the pole of the mode stays, so the late decay is as long as it was; only the
    # level falls, by what the cut has there
    sigma = decay_time(1.0) / 1.5  # 1.5 s
    before = mode(sigma)
    broad = equaliser(q=1.0)
    after = predict_impulse_response(before, equaliser=broad, gains_db=[-6.0])
    assert at_63(estimate_decay(after)) == pytest.approx(1.5, rel=0.03)
    late = slice(round(0.5 * RATE), round(1.0 * RATE))
    fallen = np.sqrt(np.mean(after.samples[late] ** 2) / np.mean(before.samples[late] ** 2))
    assert 20 * np.log10(fallen) == pytest.approx(-6.0, abs=0.3)


def test_gains_in_force_are_taken_out_first():
    before = mode(4.0)
    same = predict_impulse_response(
        before, equaliser=equaliser(), gains_db=[-3.5], present_gains_db=[-3.5]
    )
    np.testing.assert_allclose(same.samples, before.samples, atol=1e-12)
    there = predict_impulse_response(before, equaliser=equaliser(), gains_db=[-3.5])
    back = predict_impulse_response(
        there, equaliser=equaliser(), gains_db=[0.0], present_gains_db=[-3.5]
    )
    np.testing.assert_allclose(back.samples, before.samples, atol=1e-6)
    for name in ("sample_rate", "start", "lowest", "highest", "absolute_time", "level_reference"):
        assert getattr(there, name) == getattr(before, name)


@pytest.mark.parametrize("seconds", [8.0, 0.3])  # the end of a short one rings on
@pytest.mark.parametrize("q", [4.318, Q])
def test_a_digital_device_is_what_scipy_filters(seconds, q):
    before = mode(6.0, seconds)
    digital = equaliser(q=q, sample_rate=RATE)
    numerator, denominator = peaking_coefficients(
        centre=BAND.centre, q=q, gain_db=-9.0, sample_rate=RATE
    )
    wanted = lfilter(numerator, denominator, before.samples)
    got = predict_impulse_response(before, equaliser=digital, gains_db=[-9.0])
    np.testing.assert_allclose(got.samples, wanted, atol=1e-6)


def test_without_phase_nothing_is_said():
    shape = BandShape(gain_db=-6.0, frequencies=[20.0, 63.0, 200.0], response_db=[0.0, -6.0, 0.0])
    measured = equaliser(shapes=((shape,),))
    with pytest.raises(ValueError, match="carry no phase"):
        predict_impulse_response(mode(4.0), equaliser=measured, gains_db=[-6.0])
