"""Decay of a room's recorded sweeps, before and as predicted."""

from dataclasses import replace

import numpy as np
import pytest
from places import SAMPLES

from roomeq.analysis.sweeps.decay import estimate_decay
from roomeq.analysis.sweeps.decay_lines import estimate_decay_lines
from roomeq.analysis.sweeps.predicted_decay import predict_impulse_response
from roomeq.importers.room import read_room
from roomeq.jobs.decay import room_decays


@pytest.fixture(scope="module")
def library():
    return read_room(SAMPLES / "village_library", detail=True)


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
