"""The fixed-band equaliser as data."""

import numpy as np
import pytest

from roomeq.base.bands import third_octave_bands
from roomeq.device.equaliser import BandShape, FixedBandEqualiser, QLaw


def nine_bands(**changes):
    settings = {
        "bands": third_octave_bands(20, 125),
        "lowest_db": -12.0,
        "highest_db": 12.0,
        "step_db": 0.5,
        "q_law": QLaw.constant(4.318),
    }
    return FixedBandEqualiser(**(settings | changes))


def test_nine_bands_at_six_db_add_up():
    # exact centres, Q 4.318, Cookbook peaking sections in a row: 9.647 dB in the middle
    equaliser = nine_bands()
    at_centres = equaliser.response_db(np.full(9, 6.0), equaliser.centres)
    expected = [7.915, 9.145, 9.486, 9.613, 9.647, 9.613, 9.486, 9.145, 7.915]
    np.testing.assert_allclose(at_centres, expected, atol=6e-4)


def test_neighbours_of_one_band():
    equaliser = nine_bands(sample_rate=48000.0)
    gains = np.zeros(9)
    gains[4] = 6.0  # Cookbook section on 50.1187 Hz seen at the nine exact centres
    expected = [0.0767, 0.1514, 0.3564, 1.2389, 6.0, 1.2389, 0.3564, 0.1514, 0.0767]
    np.testing.assert_allclose(equaliser.response_db(gains, equaliser.centres), expected, atol=1e-4)


def test_complex_response_agrees_with_levels():
    equaliser = nine_bands(sample_rate=48000.0)
    gains = np.array([0, -3, 2, 0, 6, -12, 0.5, 0, 1])
    frequencies = np.geomspace(10, 300, 60)
    np.testing.assert_allclose(
        20 * np.log10(np.abs(equaliser.response(gains, frequencies))),
        equaliser.response_db(gains, frequencies),
        atol=1e-10,
    )


def test_grid_and_gain_check():
    equaliser = nine_bands(lowest_db=-9.0, highest_db=6.0, step_db=1.5)
    grid = equaliser.gain_grid_db
    assert (grid[0], grid[-1], grid.size) == (-9.0, 6.0, 11)
    assert 0.0 in grid
    with pytest.raises(ValueError, match=r"band 31\.5 Hz cannot be set to 1 dB"):
        equaliser.checked_gains_db([0, 0, 1, 0, 0, 0, 0, 0, 0])
    with pytest.raises(ValueError, match="needs 9 gains"):
        equaliser.checked_gains_db([0, 0])


def test_q_follows_gain():
    law = QLaw(gain_db=[2.0, 6.0], q=[1.0, 3.0])
    np.testing.assert_allclose(law.at([-4.0, 0.0, 9.0]), [2.0, 1.0, 3.0])
    table = nine_bands(q_law=law).band_table_db(4, [63.0957])[:, 0]
    grid = nine_bands().gain_grid_db
    # a third of an octave away the skirt of +6 dB is lower than that of +4 dB would be at Q 1
    constant = nine_bands(q_law=QLaw.constant(1.0)).band_table_db(4, [63.0957])[:, 0]
    assert table[grid == 6.0] < constant[grid == 6.0]
    np.testing.assert_allclose(table[grid == 2.0], constant[grid == 2.0])


def test_scaled_q():
    assert nine_bands().scaled_q(1.4).q_law.at(3.0) == pytest.approx(4.318 * 1.4)


def test_measured_shapes_are_interpolated_over_gain():
    bands = third_octave_bands(40, 50)
    shape = BandShape(gain_db=6.0, frequencies=[20, 45, 100], response_db=[0, 6.0, 0])
    strong = BandShape(gain_db=12.0, frequencies=[20, 45, 100], response_db=[0, 10.0, 0])
    equaliser = nine_bands(bands=bands, shapes=((shape, strong), (shape,)))
    at_peak = equaliser.band_table_db(0, [45.0], gains_db=[3, 6, 9, 12, -6, 0])[:, 0]
    np.testing.assert_allclose(at_peak, [3, 6, 8, 10, -6, 0])  # cuts mirror boosts
    assert equaliser.band_table_db(1, [45.0], gains_db=[12.0])[0, 0] == pytest.approx(12.0)
    assert equaliser.band_table_db(0, [10.0, 200.0], gains_db=[6.0]).max() == 0.0
    with pytest.raises(ValueError, match="no phase"):
        equaliser.response([0, 0], [50.0])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bands": ()}, "rising order"),
        ({"bands": third_octave_bands(20, 125)[::-1]}, "rising order"),
        ({"step_db": 0.0}, "step must"),
        ({"lowest_db": float("nan")}, "must be finite"),
        ({"lowest_db": 1.0}, "must hold 0"),
        ({"highest_db": 6.2}, "whole number"),
        ({"shapes": ()}, "every band or for none"),
    ],
)
def test_equaliser_refuses(change, message):
    with pytest.raises(ValueError, match=message):
        nine_bands(**change)


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ({"gain_db": [], "q": []}, "at least one"),
        ({"gain_db": [3.0, 1.0], "q": [1.0, 2.0]}, "rising"),
        ({"gain_db": [-1.0], "q": [1.0]}, "not negative"),
        ({"gain_db": [0.0], "q": [float("nan")]}, "Q must"),
    ],
)
def test_q_law_refuses(points, message):
    with pytest.raises(ValueError, match=message):
        QLaw(**points)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"gain_db": 0.0}, "other than 0"),
        ({"frequencies": [20, 45]}, "three points"),
        ({"frequencies": [20, 20, 45]}, "rising"),
    ],
)
def test_band_shape_refuses(change, message):
    good = {"gain_db": 6.0, "frequencies": [20, 45, 100], "response_db": [0.0, 6.0, 0.0]}
    with pytest.raises(ValueError, match=message):
        BandShape(**(good | change))


def test_a_shape_says_nothing_outside_what_was_measured():
    shape = BandShape(gain_db=6.0, frequencies=[25, 50, 100], response_db=[2.0, 6.0, 2.0])
    assert shape.at([24.9, 25.0, 100.0, 101.0]).tolist() == [0.0, 2.0, 2.0, 0.0]
    # linear over ln f: halfway in octaves is halfway in dB
    assert shape.at([50 / np.sqrt(2)])[0] == pytest.approx(4.0)


def test_beyond_the_strongest_shape_it_is_scaled():
    shapes = tuple(
        BandShape(gain_db=gain, frequencies=[20, 45, 100], response_db=[0, peak, 0])
        for gain, peak in ((12.0, 10.0), (6.0, 6.0))  # not in order, as somebody may type them
    )
    equaliser = nine_bands(bands=third_octave_bands(40, 40), shapes=(shapes,))
    at_peak = equaliser.band_table_db(0, [45.0], gains_db=[3, 9, 18])[:, 0]
    np.testing.assert_allclose(at_peak, [3, 8, 15])


def test_cuts_have_shapes_of_their_own_where_measured():
    boost = BandShape(gain_db=6.0, frequencies=[20, 45, 100], response_db=[0, 6.0, 0])
    cut = BandShape(gain_db=-6.0, frequencies=[20, 45, 100], response_db=[0, -5.0, 0])
    equaliser = nine_bands(bands=third_octave_bands(40, 40), shapes=((boost, cut),))
    at_peak = equaliser.band_table_db(0, [45.0], gains_db=[-12, -6, 6])[:, 0]
    np.testing.assert_allclose(at_peak, [-10, -5, 6])


def test_two_shapes_at_one_gain_are_refused():
    shape = BandShape(gain_db=6.0, frequencies=[20, 45, 100], response_db=[0, 6.0, 0])
    with pytest.raises(ValueError, match="two measured shapes at the same gain"):
        nine_bands(bands=third_octave_bands(40, 40), shapes=((shape, shape),))


def test_scaling_keeps_the_law_and_its_origin():
    law = QLaw(gain_db=[2.0, 6.0], q=[1.0, 3.0], measured=True)
    scaled = nine_bands(q_law=law).scaled_q(0.5).q_law
    assert scaled.measured
    np.testing.assert_allclose(scaled.at([2.0, 4.0, 6.0]), [0.5, 1.0, 1.5])


def test_grid_holds_the_numbers_a_person_types():
    # 3 * 0.1 is not 0.3 in binary; the grid is what the display shows
    grid = nine_bands(lowest_db=-0.7, highest_db=0.7, step_db=0.1).gain_grid_db.tolist()
    assert 0.3 in grid
    assert -0.7 in grid


def test_not_a_number_is_no_gain_and_no_step():
    with pytest.raises(ValueError, match="band 20 Hz cannot be set to nan"):
        nine_bands().checked_gains_db([float("nan"), *[0] * 8])
    with pytest.raises(ValueError, match="step must be positive, got inf"):
        nine_bands(step_db=float("inf"))


def test_a_digital_device_is_computed_digitally():
    # Cookbook section at 1 kHz sample rate: warping is plain to see at 125 Hz
    slow, analogue = nine_bands(sample_rate=1000.0), nine_bands()
    gains = [0] * 8 + [6.0]
    for method in ("response_db", "response"):
        difference = np.abs(
            getattr(slow, method)(gains, [160.0]) - getattr(analogue, method)(gains, [160.0])
        )
        assert difference[0] > 0.02


@pytest.mark.parametrize("gains", [[], [1.0], np.zeros(10), np.zeros((9, 1))])
def test_gains_are_one_for_each_band(gains):
    equaliser = nine_bands()
    for respond in (equaliser.response, equaliser.response_db, equaliser.checked_gains_db):
        with pytest.raises(ValueError, match="needs 9 gains, one for each band"):
            respond(gains, *([[50.0]] if respond != equaliser.checked_gains_db else []))
