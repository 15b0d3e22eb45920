"""Bands fitted to responses that were made apart (`devices_apart`)."""

import numpy as np
import pytest
from devices_apart import heard, peaking

from roomeq.analysis.device_fit import MovedResponse, fit_moves
from roomeq.base.response import FrequencyResponse

AXIS = np.geomspace(8, 400, 271)
CENTRES = {"40": 40.0, "63": 63.0, "100": 100.0}


def response(change, rng, *, snr_db=40.0, louder_db=0.0):
    level = heard(AXIS, change, rng, snr_db) + louder_db
    return FrequencyResponse.from_level(AXIS, level)


def moved(change, rng, moves, *, name="moved", **said):
    flat = response(np.ones(AXIS.size), rng, snr_db=said.get("snr_db", 40.0))
    return MovedResponse.of(flat, response(change, rng, **said), name=name, moves=moves)


def test_two_bands_moved_at_once_are_told_apart():
    rng = np.random.default_rng(1)
    change = peaking(AXIS, 41.2, 3.0, -5.7) * peaking(AXIS, 61.9, 5.0, 3.2)
    fit = fit_moves([moved(change, rng, [("40", -6.0), ("63", 3.0)])], centres=CENTRES)
    assert fit.estimates["centre", "40", 0.0].value == pytest.approx(41.2, rel=0.01)
    assert fit.estimates["centre", "63", 0.0].value == pytest.approx(61.9, rel=0.01)
    assert fit.estimates["gain", "40", -6.0].value == pytest.approx(-5.7, abs=0.1)
    assert fit.estimates["gain", "63", 3.0].value == pytest.approx(3.2, abs=0.1)
    assert fit.estimates["q", "40", -6.0].value == pytest.approx(3.0, rel=0.05)
    assert fit.estimates["q", "63", 3.0].value == pytest.approx(5.0, rel=0.05)
    assert fit.misfits == ()
    assert fit.offsets_db == {}


def test_standard_errors_are_those_of_many_repeats():
    # errors over standard errors have a standard deviation of 1; of 80 it lies within 0.75 to 1.25
    # in 99.9 of 100 cases (chi-squared, 80 degrees of freedom: 0.76 to 1.27)
    pulls = []
    for seed in range(80):
        rng = np.random.default_rng([2, seed])
        one = moved(peaking(AXIS, 39.0, 4.0, 5.0), rng, [("40", 6.0)], snr_db=40.0)
        fit = fit_moves([one], centres=CENTRES)
        centre, q, gain = (
            fit.estimates["centre", "40", 0.0],
            fit.estimates["q", "40", 6.0],
            fit.estimates["gain", "40", 6.0],
        )
        pulls.append(
            [
                (centre.value / 39.0 - 1.0) / centre.error,
                (q.value / 4.0 - 1.0) / q.error,
                (gain.value - 5.0) / gain.error,
            ]
        )
    spread = np.sqrt(np.mean(np.square(pulls), axis=0))
    assert (spread > 0.75).all()
    assert (spread < 1.27).all()


def test_noise_that_hangs_together_raises_the_errors():
    rng = np.random.default_rng(3)
    errors = []
    for width in (1, 9):
        noise = np.convolve(rng.normal(size=AXIS.size + width - 1), np.ones(width), "valid")
        level = 20 * np.log10(np.abs(peaking(AXIS, 40.0, 2.0, -6.0))) + 0.05 * noise / width**0.5
        one = MovedResponse(
            name="one",
            frequencies=AXIS,
            ratio_db=level,
            noise=np.ones(AXIS.size),
            moves=(("40", -6.0),),
        )
        fit = fit_moves([one], centres=CENTRES)
        errors.append(fit.estimates["gain", "40", -6.0].error)
        assert (fit.together_octaves["40"] > 0) == (width > 1)
    assert errors[1] > 1.8 * errors[0]


def test_a_level_that_differs_besides_is_taken_out():
    rng = np.random.default_rng(4)
    one = moved(peaking(AXIS, 40.0, 3.0, -6.0), rng, [("40", -6.0)], louder_db=0.6)
    fit = fit_moves([one], centres=CENTRES)
    assert fit.offsets_db["moved"] == pytest.approx(0.6, abs=0.05)
    assert fit.estimates["gain", "40", -6.0].value == pytest.approx(-6.0, abs=0.1)


def test_what_the_fit_does_not_describe_is_named():
    rng = np.random.default_rng(5)
    clean = moved(peaking(AXIS, 40.0, 3.0, -6.0), rng, [("40", -6.0)], name="clean")
    silent = peaking(AXIS, 63.0, 3.0, 3.0) * peaking(AXIS, 100.0, 3.0, -1.0)
    other = moved(silent, rng, [("63", 3.0)], name="other")
    assert fit_moves([clean, other], centres=CENTRES).misfits == ("other",)


def test_steady_noise_below_a_roll_off_does_not_rule():
    # near the cone of a closed box 12 dB per octave fall below 32 Hz: 40 dB are 16 dB at 8 Hz
    rng = np.random.default_rng(6)
    change, rows = peaking(AXIS, 25.5, 4.0, -6.0), []
    for own in (np.ones(AXIS.size), change):
        quiet = 10 ** (heard(AXIS, own, rng, 90.0) / 20)
        noise = 10 ** (45 / 20) * (rng.normal(size=AXIS.size) + 1j * rng.normal(size=AXIS.size))
        rows.append(FrequencyResponse.from_level(AXIS, 20 * np.log10(np.abs(quiet + noise))))
    one = MovedResponse.of(*rows, name="one", moves=[("25", -6.0)])
    fit = fit_moves([one], centres={"25": 25.0})
    assert fit.misfits == ()
    q = fit.estimates["q", "25", -6.0]
    assert abs(q.value / 4.0 - 1.0) < 3.0 * q.error
    assert q.error < 0.03


def test_too_few_points_are_refused():
    coarse = FrequencyResponse.from_level(AXIS[::30], np.zeros(AXIS[::30].size))
    with pytest.raises(ValueError, match=r"shares 10 points .* 12 or more are needed"):
        MovedResponse.of(coarse, coarse, name="coarse")
