"""Which polarity it is: anechoic truth, silence where it cannot be told, rooms by other code."""

import sys

import numpy as np
import pytest
from joining_rooms import butterworth
from places import ROOT

from roomeq.optimiser.joining.polarity import judge_polarity, polarity_axis

sys.path.insert(0, str(ROOT / "tests" / "benchmarks"))
from joining_cases import FREQUENCIES, random_case
from joining_cases import butterworth as plain_butterworth

AXIS = polarity_axis()


def late_by(delay, *, sign=1.0):
    return (sign * np.exp(-2j * np.pi * AXIS * delay))[None]


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("delay", [-0.008, -0.003, 0.0, 0.0055, 0.008])
def test_bare_arrivals_are_told_with_their_difference(sign, delay):
    box = butterworth("high", 2, corner=28.0, frequencies=AXIS)
    found = judge_polarity(
        box * late_by(0.012 + delay, sign=sign), late_by(0.012), seat_weights=np.ones(1)
    )
    assert found.inverted is (sign < 0)
    assert found.arrival == pytest.approx(delay, abs=0.0006)


def test_a_half_period_does_not_look_like_a_flip_over_three_octaves():
    # 6.25 ms is half a period at 80 Hz, 1.2 at 195 Hz and 0.16 at 25 Hz
    found = judge_polarity(late_by(0.018), late_by(0.018 - 0.00625), seat_weights=np.ones(1))
    assert found.inverted is False
    assert found.arrival == pytest.approx(0.00625, abs=0.0003)


def test_noise_is_not_told():
    rng = np.random.default_rng(1)
    untold = 0
    for _ in range(20):
        sub, mains = rng.normal(size=(2, 2, 1, AXIS.size))
        found = judge_polarity(
            sub[0] + 1j * sub[1], mains[0] + 1j * mains[1], seat_weights=np.ones(1)
        )
        untold += found.inverted is None
    assert untold >= 14


def test_both_have_to_agree_and_both_ratios_reach_the_limit():
    found = judge_polarity(late_by(0.0), late_by(0.0), seat_weights=np.ones(1))
    told = {"phase_inverted": True, "onset_inverted": True, "phase_ratio": 1.2, "onset_ratio": 1.2}
    kind, arrival = type(found), {"arrival": 0.0}
    assert kind(**told, **arrival).inverted is True
    assert kind(**{**told, "onset_inverted": False}, **arrival).inverted is None
    assert kind(**{**told, "phase_ratio": 1.19}, **arrival).inverted is None
    assert kind(**{**told, "onset_ratio": 1.19}, **arrival).inverted is None


def test_seats_count_by_their_weight():
    sub = np.concatenate([late_by(0.001), late_by(0.001, sign=-1.0)])
    mains = np.concatenate([late_by(0.0), late_by(0.0)])
    assert judge_polarity(sub, mains, seat_weights=np.array([3.0, 1.0])).inverted is False
    assert judge_polarity(sub, mains, seat_weights=np.array([1.0, 3.0])).inverted is True


def test_in_rooms_more_are_told_rightly_than_wrongly():
    """A few of the benchmark's rooms, by code that shares nothing with the library."""
    right = wrong = 0
    for seed in range(300, 320):
        case = random_case(seed, "linkwitz_riley")
        low, high = (plain_butterworth(kind, 2, case.corner) ** 2 for kind in ("low", "high"))
        rows = [
            np.array(
                [
                    np.interp(AXIS, FREQUENCIES, np.abs(row))
                    * np.exp(1j * np.interp(AXIS, FREQUENCIES, np.unwrap(np.angle(row))))
                    for row in pressure / path
                ]
            )
            for pressure, path in ((case.noisy_sub, low), (case.noisy_mains, high))
        ]
        found = judge_polarity(*rows, seat_weights=np.ones(len(rows[0])))
        right += found.inverted is case.inverted
        wrong += found.inverted is (not case.inverted)
    assert right >= 4
    assert wrong <= 2


def by_words(sub, mains, weights):
    """Return both tests over delays of a sample of 4096 Hz, from what the module says of them."""
    delays = -0.020 + np.arange(164) / 4096.0  # up to 20 ms
    points = np.array([p for p in 1000.0 * 2.0 ** (np.arange(-300, 0) / 48) if 25 <= p <= 195])
    phase, onset = np.zeros(delays.size), np.zeros(delays.size)
    edge = [np.clip(3.0 * np.log2(r), 0.0, 1.0) for r in (AXIS / 25.0, 195.0 / AXIS)]
    window = (0.5 - 0.5 * np.cos(np.pi * edge[0])) * (0.5 - 0.5 * np.cos(np.pi * edge[1]))
    time = np.arange(-2048, 2048) / 4096.0
    for one, other, weight in zip(sub, mains, weights / weights.sum(), strict=True):
        level = np.interp(points, AXIS, np.abs(one * other))
        loud = np.minimum(level / np.sqrt(np.mean(level**2)), 1.0)
        turn = np.interp(points, AXIS, np.unwrap(np.angle(one / other)))
        phase += [weight * np.sum(loud * np.cos(turn + 2 * np.pi * points * d)) for d in delays]
        gated = []
        for row in (one, other):
            pulse = np.cos(2 * np.pi * np.outer(time, AXIS) + np.angle(row)) @ (
                np.abs(row) * window
            )
            peak = int(np.argmax(np.abs(pulse)))
            loud_from = np.abs(pulse[peak - 409 : peak + 1]) >= 0.25 * np.abs(pulse[peak])
            since = time - time[peak - 409 + int(np.argmax(loud_from))]
            gate = np.where(since < 0, 1.0, 0.5 + 0.5 * np.cos(np.pi * since / 0.020))
            gated.append(np.where((since >= -0.008) & (since <= 0.020), gate, 0.0) * pulse)
        whole = np.correlate(*gated, "full")[4095 + np.rint(delays * 4096.0).astype(int)]
        onset += weight * whole / np.linalg.norm(gated[0]) / np.linalg.norm(gated[1])
    return delays, phase, onset


def test_both_tests_are_what_is_said_of_them():
    rng = np.random.default_rng(2)
    modes = [1.0 / (1.0 - (AXIS / f) ** 2 + 0.1j * AXIS / f) for f in (28.0, 47.0, 90.0)]
    rows = late_by(0.012) * (1.0 + rng.normal(size=(4, 3)) @ modes)
    weights = np.array([2.0, 1.0])
    sub, mains = -rows[:2] * late_by(0.002), rows[2:]
    found = judge_polarity(sub, mains, seat_weights=weights)
    delays, phase, onset = by_words(sub, mains, weights)
    for agreement, inverted, ratio in (
        (phase, found.phase_inverted, found.phase_ratio),
        (onset, found.onset_inverted, found.onset_ratio),
    ):
        best, other = sorted((agreement.max(), -agreement.min()))[::-1]
        assert inverted is bool(-agreement.min() == best)
        assert ratio == pytest.approx(best / other, rel=1e-9)
    assert found.arrival == pytest.approx(delays[np.argmax(np.abs(onset))], abs=1e-12)
