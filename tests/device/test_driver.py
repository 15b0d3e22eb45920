"""Displacement of drivers against closed forms, scipy.signal and a solved equivalent circuit."""

import numpy as np
import pytest
import scipy.signal
from formulas import piston_level_db

from roomeq.base.levels import amplitude_ratio_db
from roomeq.device.crossover import CrossoverFilter, high_pass_db
from roomeq.device.driver import (
    ClosedBox,
    Driver,
    VentedBox,
    moved_displacement_db,
)

AXIS = np.geomspace(5.0, 500.0, 60)
CLOSED = ClosedBox(resonance=40.0, q=0.5**0.5)
VENTED = VentedBox(tuning=25.0, resonance=28.0, q=0.38, compliance_ratio=1.4)


def high_pass(order, corner):
    return CrossoverFilter(kind="high_pass", family="butterworth", order=order, corner=corner)


@pytest.mark.parametrize(
    ("frequency", "displacement_db", "level_db"),  # check values, section 10 (closed form)
    [(10.0, -0.02, -24.10), (20.0, -0.26, -12.30), (40.0, -3.01, -3.01), (80.0, -12.30, -0.26)],
)
def test_closed_box_figures(frequency, displacement_db, level_db):
    moved = amplitude_ratio_db(CLOSED.displacement_ratio([frequency]))[0]
    heard = amplitude_ratio_db(CLOSED.pressure_ratio([frequency]))[0]
    assert moved == pytest.approx(displacement_db, abs=0.005)
    assert heard == pytest.approx(level_db, abs=0.005)


@pytest.mark.parametrize("q", [0.5, 0.7, 1.2])
def test_closed_box_is_scipys_second_order_section(q):
    w0 = 2 * np.pi * 33.0
    _, low = scipy.signal.freqs([w0**2], [1, w0 / q, w0**2], worN=2 * np.pi * AXIS)
    _, high = scipy.signal.freqs([1, 0, 0], [1, w0 / q, w0**2], worN=2 * np.pi * AXIS)
    box = ClosedBox(resonance=33.0, q=q)
    np.testing.assert_allclose(box.displacement_ratio(AXIS), low, rtol=1e-12)
    np.testing.assert_allclose(box.pressure_ratio(AXIS), high, rtol=1e-12)
    assert box.displacement_ratio([0.0])[0] == 1.0
    assert box.unloads_below is None


def _solved_vented_box(frequency):
    """Solve force and flow balance of driver, box, vent and leak; displacement and outflow.

    Unknowns: velocity of the driver (per unit area), flow into the box out of vent and leak.
    Acoustic side: M s u + R u + u / (C s) = F - p, p = (u - vent - leak) / (Cb s),
    p = Mp s vent, p = Rl leak.
    """
    s = 2j * np.pi * frequency
    resonance, tuning = 2 * np.pi * VENTED.resonance, 2 * np.pi * VENTED.tuning
    mass = 1.0
    compliance = 1.0 / (mass * resonance**2)
    box = compliance / VENTED.compliance_ratio
    resistance = resonance * mass / VENTED.q
    vent_mass = 1.0 / (box * tuning**2)
    leak = VENTED.leakage_q / (tuning * box)  # QL = w_b Cb Rl
    matrix = np.array(
        [
            [mass * s + resistance + 1 / (compliance * s), 0, 0, 1],
            [1, -1, -1, -box * s],
            [0, vent_mass * s, 0, -1],
            [0, 0, leak, -1],
        ]
    )
    driver, vent, leaking, _ = np.linalg.solve(matrix, np.array([1.0, 0, 0, 0]))
    displacement = driver / s / compliance  # X(0) = force times compliance
    outflow = driver - vent - leaking
    return displacement, s * outflow * mass  # mass-controlled far above resonance


def test_vented_box_is_the_solved_circuit():
    solved = np.array([_solved_vented_box(f) for f in AXIS])
    np.testing.assert_allclose(VENTED.displacement_ratio(AXIS), solved[:, 0], rtol=1e-9)
    np.testing.assert_allclose(VENTED.pressure_ratio(AXIS), solved[:, 1], rtol=1e-9)


def test_vented_box_unloads_below_tuning():
    moved = amplitude_ratio_db(VENTED.displacement_ratio(AXIS))
    assert VENTED.unloads_below == 25.0
    # least near tuning, where the vent does the work, and more on both sides
    lowest = AXIS[(AXIS > 15) & (AXIS < 35)][np.argmin(moved[(AXIS > 15) & (AXIS < 35)])]
    assert lowest == pytest.approx(25.0, rel=0.1)
    at = {f: amplitude_ratio_db(VENTED.displacement_ratio([f]))[0] for f in (12.5, 25.0, 35.0)}
    assert at[12.5] > at[25.0] + 6.0
    assert at[35.0] > at[25.0] + 3.0
    assert VENTED.displacement_ratio([0.0])[0] == 1.0
    # fourth order: 24 dB an octave at the bottom, level at the top
    levels = amplitude_ratio_db(VENTED.pressure_ratio([0.5, 1.0, 4000.0]))
    assert levels[1] - levels[0] == pytest.approx(24.08, abs=0.05)
    assert levels[2] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(
    ("frequency", "cubic_cm"),  # check values, section 10: 100 dB at 1 m into half space
    [
        (16.0, 1460.5),
        (20.0, 934.7),
        (25.0, 598.2),
        (31.5, 376.8),
        (40.0, 233.7),
        (50.0, 149.6),
        (63.0, 94.2),
        (80.0, 58.4),
    ],
)
def test_piston_figures(frequency, cubic_cm):
    found = driver()
    voltage = 10 ** ((100.0 - found.free_field_level_db(1.0, [frequency])[0]) / 20)
    moved = found.peak_displacement(voltage, [frequency])[0] * 0.05
    assert moved * 1e6 == pytest.approx(cubic_cm, abs=0.06)
    assert piston_level_db(moved, [frequency])[0] == pytest.approx(100.0)


def test_displacement_grows_by_12_db_an_octave_down():
    # check values, section 10: 12.04 dB an octave down, 4.00 dB a third octave down
    axis = np.array([40.0, 20.0, 40.0 / 10**0.1])
    voltages = 10 ** ((90.0 - driver().free_field_level_db(1.0, axis)) / 20)
    one, octave, third = driver().peak_displacement(voltages, axis)
    assert amplitude_ratio_db(octave / one) == pytest.approx(12.0412, abs=1e-4)
    assert amplitude_ratio_db(third / one) == pytest.approx(4.0, abs=1e-9)


@pytest.mark.parametrize(
    ("order", "corner", "gains"),  # check values, section 10: relief is the filter's own gain
    [
        (
            2,
            20.0,
            {5: -24.10, 8: -16.03, 10: -12.30, 12.5: -8.78, 16: -5.37, 20: -3.01, 25: -1.49}
            | {31.5: -0.65, 40: -0.26},
        ),
        (2, 16.0, {8: -12.30, 10: -8.78, 16: -3.01, 20: -1.49, 25: -0.67}),
        (4, 20.0, {10: -24.10, 16: -8.43, 20: -3.01, 25: -0.67, 31.5: -0.11}),
        (4, 16.0, {10: -16.43, 20: -0.67}),
    ],
)
def test_excursion_relief(order, corner, gains):
    found = -high_pass_db(high_pass(order, corner), list(gains))
    np.testing.assert_allclose(found, [-gain for gain in gains.values()], atol=0.0051)
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, "highpass", analog=True)
    _, expected = scipy.signal.freqs(b, a, worN=2 * np.pi * AXIS)
    moved = moved_displacement_db(CLOSED, (high_pass(order, corner),), AXIS)
    rest = moved_displacement_db(CLOSED, (), AXIS)
    np.testing.assert_allclose(rest - moved, -amplitude_ratio_db(expected), atol=1e-9)


def test_no_high_pass_relieves_nothing():
    assert high_pass_db(None, AXIS).tolist() == [0.0] * AXIS.size


def driver(box=CLOSED, count=1):
    return Driver(
        box=box,
        piston_area_m2=0.05,
        largest_displacement=0.01,
        sensitivity_db=90.0,
        count=count,
    )


@pytest.mark.parametrize("count", [1, 2])
def test_sensitivity_and_displacement_fit_the_piston_formula(count):
    # in a closed box the driver alone moves air: what it moves must give the level it makes
    found = driver(count=count)
    moved = found.peak_displacement(np.full(AXIS.size, 10.0), AXIS)
    levels = piston_level_db(moved * 0.05 * count, AXIS)
    np.testing.assert_allclose(found.free_field_level_db(10.0, AXIS), levels, atol=1e-9)


def test_sensitivity_is_the_level_far_above_resonance():
    for box in (CLOSED, VENTED):
        assert driver(box).free_field_level_db(2.83, [8000.0])[0] == pytest.approx(90.0, abs=1e-3)


def test_vented_driver_moves_as_the_piston_formula_says_far_above_tuning():
    found = driver(VENTED)
    moved = found.peak_displacement(10.0, [3000.0])
    level = piston_level_db(moved * 0.05, [3000.0])[0]
    assert found.free_field_level_db(10.0, [3000.0])[0] == pytest.approx(level, abs=0.01)
