"""One voicing for many rooms: against scipy and a plain loop, within the model's own limits."""

import json
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from unittest.mock import patch

import msgspec
import numpy as np
import pytest
from batch_rooms import write_rooms
from hypothesis import given, settings
from hypothesis import strategies as st
from places import SAMPLES
from rooms_apart import CENTRES, HIGHEST_DB, LOWEST_DB, STEP_DB, equaliser
from scipy.optimize import differential_evolution

import roomeq as rq
from roomeq.cli.main import main
from roomeq.jobs import voice as voicing_job
from roomeq.jobs.drive.scene import DriveScene
from roomeq.jobs.voice import rooms_needed
from roomeq.optimiser.bands.reasons import Reason
from roomeq.optimiser.bands.voicing import over_rooms
from roomeq.report.plots.rooms import plot_voicing

BOOST_DB = 3.0  # the limit where none is stated


@cache
def loft():
    return rq.read_room(SAMPLES / "mill_loft")


@pytest.fixture(scope="module", autouse=True)
def seldom_proven():
    """The gains are chosen before the plan of a voicing asks what a proposal would be."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(voicing_job, "propose", partial(rq.propose, node_limit=1, best=True))
        yield


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    return write_rooms(tmp_path_factory.mktemp("rooms"), range(6))


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return rq.read_room(write_rooms(tmp_path_factory.mktemp("model"), [99], seats=1)[0])


@pytest.fixture(scope="module")
def voiced(model, folders):
    return rq.batch.voice(model, folders)


def deviation_db(data, gains_db):
    """The statement of the problem, typed apart: 2 x excess, 1 x shortfall, mean cuts a little."""
    return deviation_of_db(data, boost_db(gains_db, data.frequencies))


def deviation_of_db(data, summed):
    weights = data.frequency_weights
    mean = weights @ summed
    over = np.maximum(data.error_db + summed - mean, 0.0)
    short = np.maximum(-(data.shortfall_db + summed - mean), 0.0)
    least = 2.0 * max(weights @ data.error_db, 0.0) ** 2
    found = weights @ (2.0 * over**2 + short**2) + 0.01 * min(mean, 0.0) ** 2 - least
    return np.sqrt(max(found, 0.0))


def boost_db(gains_db, frequencies):
    return 20.0 * np.log10(np.abs(equaliser(frequencies, gains_db)))


def test_on_one_room_it_does_what_differential_evolution_does(model, folders):
    found = rq.batch.voice(model, folders[:1])
    data, rows = found.problem.rooms[0], np.geomspace(10.0, 300.0, 200)

    axis, reach = np.append(data.frequencies, rows), int(max(-LOWEST_DB, HIGHEST_DB) / STEP_DB)
    table = np.array(
        [
            [boost_db(n * STEP_DB * one, axis) for n in range(-reach, reach + 1)]
            for one in np.eye(CENTRES.size)
        ]
    )  # decibels of bands in series add

    def penalised(steps):
        summed = table[range(CENTRES.size), np.rint(steps).astype(int) + reach].sum(axis=0)
        inside, over = np.split(summed, [data.frequencies.size])
        over = over - np.where(rows <= 22.0, 0.5, BOOST_DB)
        return deviation_of_db(data, inside) + 10.0 * max(over.max(), 0.0)

    bounds = [(LOWEST_DB / STEP_DB, (HIGHEST_DB if c > 22.0 else 0.0) / STEP_DB) for c in CENTRES]
    best = differential_evolution(
        penalised, bounds, seed=3, popsize=6, maxiter=60, tol=0.0, polish=False
    )
    assert found.rooms[0].voiced_db == pytest.approx(
        deviation_db(data, found.plan.gains_db), abs=1e-6
    )
    assert found.rooms[0].voiced_db <= best.fun + 0.02
    assert found.rooms[0].loses_db == pytest.approx(0.0, abs=0.03)


def test_over_rooms_it_is_what_a_plain_loop_finds(voiced):
    gains = np.array(voiced.plan.gains_db)

    def mean_db(settings):
        return np.mean([deviation_db(data, settings) for data in voiced.problem.rooms])

    by_hand = mean_db(gains)
    assert np.mean([room.voiced_db for room in voiced.rooms]) == pytest.approx(by_hand, abs=1e-6)
    zero = np.zeros(9)
    before = [deviation_db(data, zero) for data in voiced.problem.rooms]
    assert [room.before_db for room in voiced.rooms] == pytest.approx(before, abs=1e-6)
    rows = np.geomspace(22.1, 300.0, 300)
    for band in range(1, 9):
        for step_db in (-STEP_DB, STEP_DB):
            moved = gains.copy()
            moved[band] += step_db
            if boost_db(moved, rows).max() < BOOST_DB and moved[band] <= HIGHEST_DB:
                allowed = boost_db(moved, np.linspace(10.0, 22.0, 50)).max() < 0.5
                assert not allowed or mean_db(moved) >= by_hand - 1e-9
    assert all(room.loses_db >= 0.0 for room in voiced.rooms)


def test_the_worst_tenth_is_the_mean_of_the_largest_tenth():
    values = np.arange(20.0)
    assert over_rooms(values, "worst_tenth") == 18.5
    assert over_rooms(values[:3], "worst_tenth") == 2.0
    assert over_rooms(values, "mean") == 9.5


def test_made_for_the_worst_tenth_the_worst_room_does_better(model, folders, voiced):
    worst = rq.batch.voice(model, folders, criterion="worst_tenth")
    by_mean = max(room.voiced_db for room in voiced.rooms)
    assert worst.over_rooms_db("voiced_db") == max(room.voiced_db for room in worst.rooms)
    assert worst.over_rooms_db("voiced_db") < by_mean - 0.1


def test_nothing_is_voiced_below_the_lower_limit(model, folders):
    raised = replace(model, target=replace(model.target, lower_limit=45.0))
    found, free = (rq.batch.voice(which, folders[:1]) for which in (raised, model))
    below = np.linspace(10.0, 45.0, 200)
    assert boost_db(found.plan.gains_db, below).max() <= 0.5 + 0.01
    assert max(found.plan.gains_db[:4]) <= 0.0
    held = found.problem.limited  # skirts of the bands above are held there as well
    assert held.filter_cap_db[held.limit_frequencies <= 45.0].max() == 0.5
    assert boost_db(free.plan.gains_db, below).max() > 1.5  # it would be worth while


def test_limits_follow_the_headroom_of_the_model(folders):
    found = rq.batch.voice(loft(), folders)
    limits = found.problem.task.limits
    assert limits.drive_by_frequency
    rows = np.geomspace(20.0, 125.0, 300)
    allowed = np.minimum(np.maximum(limits.drive_db(rows), 0.0), limits.filter_boost_db)
    response = loft().equaliser.response_db(np.array(found.plan.gains_db), rows)
    assert (response - allowed).max() <= 0.02
    assert found.plan.headroom is None


def left_now(model):
    """What the drive may rise behind what is set now, at centres: what is left, 0 to 12 dB."""
    scene = DriveScene(model, model.wanted)
    left = [band.left_db for band in scene.headroom(np.zeros(9), None).bands]
    return scene.centres, np.clip(left, 0.0, 12.0)


class Chosen(msgspec.Struct):
    """What limits are looked at in, of a plan that nobody judges."""

    gains_db: tuple[float, ...]
    cautions: tuple = ()


@patch.object(voicing_job, "propose", lambda _, chosen, **__: Chosen(tuple(chosen.gains_db)))
@settings(max_examples=20, deadline=None, derandomize=True)
@given(
    trough=st.floats(22.0, 60.0),
    lower_limit=st.floats(20.0, 60.0),
    most_db=st.floats(0.5, 6.0),
    volts=st.floats(0.4, 2.5),
)
def test_whatever_the_model_no_limit_is_broken(trough, lower_limit, most_db, volts):
    def hollow(frequencies):
        return 10.0 ** (-0.5 * np.exp(-0.5 * (np.log2(frequencies / trough) / 0.3) ** 2))

    model = replace(
        loft(),
        survey=loft().survey.of_seats("bench right").filtered("sub", hollow),
        target=replace(loft().target, lower_limit=lower_limit),
        limits=replace(loft().limits, filter_boost_db=most_db),
        equipment=replace(loft().equipment, measuring_voltage=volts),
    )
    found = rq.batch.voice(model)
    rows = np.geomspace(10.0, 300.0, 1000)
    boosted = boost_db(found.plan.gains_db, rows)
    assert boosted.max() <= most_db + 0.02
    assert boosted[rows <= lower_limit].max() <= 0.5 + 0.02
    centres, left_db = left_now(model)
    assert (boost_db(found.plan.gains_db, centres) - left_db).max() <= 0.02
    assert all(room.loses_db >= 0.0 for room in found.rooms)


def test_limits_hold_behind_the_high_pass_that_is_set_not_one_that_a_proposal_would_choose():
    model = replace(loft(), equipment=replace(loft().equipment, measuring_voltage=2.5))
    proposal = rq.propose(model, node_limit=1)
    assert proposal.protection.high_pass is not None
    limits, (centres, left_db) = rq.batch.voice(model).problem.task.limits, left_now(model)
    assert limits.high_pass_corner is None
    assert limits.drive_db(centres) == pytest.approx(left_db, abs=0.01)


def test_the_models_response_is_added_to_rooms_of_a_flat_source(model, folders, voiced):
    found = rq.batch.voice(model, folders[:1], flat_source=True)
    added = found.problem.rooms[0].error_db - voiced.problem.rooms[0].error_db
    axis = voiced.problem.rooms[0].frequencies
    response = model.survey.measurements[0].response
    expected = np.interp(np.log(axis), np.log(response.frequencies), response.level_db)
    middle = slice(6, -6)  # smoothing looks beyond the ends
    difference = (added - expected)[middle]
    assert np.ptp(difference) < 1.0  # sums of powers are smoothed, not levels
    assert np.ptp(expected[middle]) > 5.0


def test_in_rooms_all_alike_one_is_enough(model, folders):
    same = rq.batch.voice(model, [folders[2]] * 4)
    (one, two) = rq.batch.rooms_needed(same, draws=2)
    assert (one.rooms, two.rooms) == (1, 2)
    for row in (one, two):
        assert row.inside_db == pytest.approx(row.outside_db)
        assert row.sd_db == pytest.approx(0.0, abs=1e-9)


def test_in_rooms_that_differ_one_is_not(voiced):
    rows = rq.batch.rooms_needed(voiced, counts=[1, 4], draws=3)
    assert rows[0].inside_db < rows[0].all_db < rows[0].outside_db
    assert rows[1].outside_db < rows[0].outside_db
    with pytest.raises(ValueError, match="below the 6 rooms"):
        rq.batch.rooms_needed(voiced, counts=[6])


def test_third_octave_levels_are_refused(model):
    with pytest.raises(ValueError, match="third-octave levels"):
        rq.batch.voice(model, [SAMPLES / "rented_hall"])


def test_a_place_where_no_picture_can_stand_is_told_before_the_work(folders, monkeypatch, capsys):
    monkeypatch.setattr("roomeq.cli.commands.voice", None)
    room = str(folders[0] / "room.toml")
    assert main(["voice", room, "--rooms", str(folders[1]), "--plot", room]) == 2
    assert "is not a picture" in capsys.readouterr().err


def test_the_command_keeps_a_plan_like_any_other(
    model, folders, voiced, tmp_path, capsys, monkeypatch
):
    monkeypatch.setattr(voicing_job, "propose", rq.propose)
    monkeypatch.setattr("roomeq.cli.commands.rooms_needed", partial(rooms_needed, draws=1))
    file, page = str(tmp_path / "voicing.json"), str(tmp_path / "voicing.html")
    room = write_rooms(tmp_path, [99], seats=1)[0]
    words = ["voice", str(room / "room.toml"), "--rooms", *map(str, folders), "--plan", file]
    assert main([*words, "--plot", str(tmp_path / "lost.png")]) in (0, 1)
    said = capsys.readouterr().out
    assert "voiced for 6 rooms" in said
    assert "judged on the others" in said
    assert (tmp_path / "lost.png").stat().st_size > 5000
    plan = rq.read_plan(file)
    assert plan.gains_db == voiced.plan.gains_db
    moved = [band for band in plan.bands if band.reason is Reason.MANY_ROOMS]
    assert moved
    assert any("voiced for 6 rooms by the mean" in text for text in plan.assumptions)
    assert main(["propose", str(folders[0]), "--in-force", file, "--json"]) in (0, 1)
    later = json.loads(capsys.readouterr().out)
    assert [band["present_db"] for band in later["bands"]] == list(plan.gains_db)
    assert any("gains of the plan" in text for text in later["assumptions"])
    assert main(["sheet", file, "--output", page]) == 0
    sheet = Path(page).read_text("utf-8")
    assert "Without it" not in sheet  # a voicing is not chosen without single rooms
    again = sheet.split("Measure again</th>")[1].split("</tr>")[0]
    assert "The model itself" in again
    assert "roomeq compare" in again
    assert not any(seat.seat in again for seat in plan.seats)  # nobody measures two rooms again
    assert main(["show", file, "--detail"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "as suits all rooms" in said
    assert f", the proposal {plan.deviation_after_db:.2f} dB (see why at each band)." in said
    monkeypatch.setattr("roomeq.cli.commands.voice", lambda *_, **__: voiced)
    assert main(["voice", str(room), "--rooms", *map(str, folders), "--json"]) in (0, 1)
    record = json.loads(capsys.readouterr().out)
    assert list(record["gains_db"].values()) == list(plan.gains_db)
    assert [entry["rooms"] for entry in record["rooms_needed"]] == [1, 2]


def test_a_plot_says_what_is_lost(voiced):
    ax = plot_voicing(voiced)
    lost = voiced.to_frame()["loses_db"]
    said = {text.get_text().split("\n")[0]: text.get_text() for text in ax.get_legend().get_texts()}
    figures = " / ".join(f"{value:.1f}" for value in lost.quantile([0.1, 0.5, 0.9]))
    assert said["lost against its own"].endswith(f"\n{figures} dB")
    drawn = {line.get_label().split("\n")[0]: line for line in ax.get_lines()}
    assert list(drawn["lost against its own"].get_xdata()) == sorted(lost)
    assert len({line.get_linestyle() for line in ax.get_lines() if line.get_marker() == "None"}) > 1
