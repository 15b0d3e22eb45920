"""What each explanation costs, and that each kind is found where it was made, by plain numpy."""

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.signal
from synthetic_rooms import nine_bands

from roomeq.jobs.verifying.hypotheses import (
    _UNUSUAL,
    _USUAL,
    Setup,
    explanations,
    gains_in_force_db,
)
from roomeq.jobs.verifying.observation import (
    BIN_SHARE,
    Observation,
    Part,
    TwoPowers,
    bin_means,
)
from roomeq.plan.verification import Cause, CauseCode

AXIS = np.geomspace(20.0, 160.0, 73)
PLANNED = np.array([0.0, -3.0, -9.0, 4.0, -6.0, 0.0, 2.0, -4.0, 0.0])
BEFORE, MUSIC = np.full(9, 1.0), np.array([3.0, 0, 0, -12, 6, 0, -5, 0, 2])
SEATS = ("a", "b", "c")


def db(pressure):
    return 20.0 * np.log10(np.abs(pressure))


def bands(gains_db, q=4.318):
    """Return the bands at their exact centres: analogue prototype of the Audio EQ Cookbook."""
    s = 1j * AXIS / 10.0 ** (np.arange(13, 22)[:, None] / 10.0)
    a = 10.0 ** (np.asarray(gains_db)[:, None] / 40.0)
    return np.prod((s**2 + s * a / q + 1.0) / (s**2 + s / (a * q) + 1.0), axis=0)


def filtered(kind, order, corner):
    b, a = scipy.signal.butter(order, 2 * np.pi * corner, kind, analog=True)
    return scipy.signal.freqs(b, a, worN=2 * np.pi * AXIS)[1]


def microphone_db(axis):
    return 4.0 * np.sin(2 * np.pi * np.log2(axis / 20.0) / 3.0)


def pressures():
    """Return what arrives from subwoofer and mains at three seats: a direct sound and echoes."""
    rng = np.random.default_rng(3)
    low, high = filtered("low", 2, 80.0) ** 2, filtered("high", 2, 80.0) ** 2
    late = rng.uniform(0.0, 0.04, (2, 3, 4, 1))
    strength = np.array([1.0, 0.5, -0.4, 0.3])[:, None]
    heard = (strength * np.exp(-2j * np.pi * AXIS * late)).sum(axis=2)
    return 1e4 * low * heard[0], 1e4 * high * heard[1]


SUB, MAINS = pressures()


def scene(sub=1.0, mains=1.0, *, order=(0, 1, 2), sources=("sub", "both", "mains")):
    """Return subwoofer, sum and mains measured again with a ratio in either branch."""
    rows = list(order)
    parts = {"sub": (SUB, sub * SUB), "mains": (MAINS, mains * MAINS)}
    parts["both"] = (SUB + MAINS, sub * SUB + mains * MAINS)
    rng, found = np.random.default_rng(7), []
    for source in sources:
        planned, again = parts[source]
        difference = db(again)[rows] - db(planned) + rng.normal(0.0, 0.05, SUB.shape)
        powers = TwoPowers(own=abs(SUB) ** 2, rest=abs(MAINS) ** 2, cross=SUB * MAINS.conj())
        before = db(bands(BEFORE) / bands(PLANNED)) if source == "sub" else 0.0
        found.append(
            Part(
                seats=SEATS, frequencies=AXIS, difference_db=difference, predicted_db=db(planned),
                before_db=before + np.zeros(SUB.shape), means=bin_means(AXIS),
                with_mains=powers if source == "both" else None, of_mains=source == "mains",
            )
        )  # fmt: skip
    return Observation.of(tuple(found), repeatability_db=0.5)


def setup(**others):
    known = {"equaliser": nine_bands(), "sum_known": True, "microphone_db": microphone_db}
    return Setup(
        gains_db=PLANNED,
        present_db=BEFORE,
        others={"music": MUSIC},
        **known | others,
    )


COSTS = {  # values that were fitted, and alternatives
    **dict.fromkeys(("as_planned", "as_before", "other_plan", "bands_off", "signs"), (0, 1)),
    "polarity": (0, 1),
    **dict.fromkeys(("scaled", "width", "delay", "level", "mains_level"), (1, 1)),
    **{"shifted": (0, 2), "band": (1, 9), "two_bands": (2, 36), "microphone": (0, 2)},
    **dict.fromkeys(("high_pass", "low_pass", "mains_high_pass"), (1, 6)),
    **{"seat_moved": (1, 3), "seats_exchanged": (0, 3), "all_moved": (1, 3)},
}


def test_every_explanation_costs_what_it_is_free_in():
    seen = scene(sub=np.exp(0.3j * AXIS / 40.0))
    bins = [part.means.shape[1] for part in seen.parts]
    assert seen.count == pytest.approx(BIN_SHARE * 3 * sum(bins))
    told, labels = {}, []
    for one in explanations(seen, setup()):
        code, further, (values, of) = one.cause.code, None, COSTS.get(one.cause.code, (0, 1))
        if code is CauseCode.SEAT_MOVED:  # 4 dB elsewhere: common practice, no source
            moved = np.array([[4.0 * (seat in one.cause.seats)] for seat in SEATS])
            further = [moved] * 3
        elif code is CauseCode.ALL_MOVED:
            centres = np.exp(np.log(AXIS) @ seen.parts[0].means)
            further = [one.cause.value * centres[None] / 100.0] * 3
        elif code is CauseCode.SOMETHING_ELSE:  # the sum has no mean over the seats
            values = 0.5 * (bins[0] + 3 * bins[1] + bins[2])
        elif code is CauseCode.EXCHANGED:  # what two equal gains exchange is nothing
            of = sum(abs(x - y) >= 1.5 for n, x in enumerate(PLANNED) for y in PLANNED[:n])
        elif code is CauseCode.BAND and one.cause.value is not None:
            values = 4
        score = seen.score(one.change)
        if one.left is not None:
            score = seen.score_of(one.left, further_db=further)
        cost = _UNUSUAL.get(code, _USUAL) + 0.5 * values * math.log(seen.count) + math.log(of)
        assert score[0] - one.score == pytest.approx(cost, abs=1e-9), one.cause
        told[code] = told.get(code, 0) + 1
        if code is CauseCode.BAND and one.cause.value is None:
            labels.append(one.cause.bands)
    assert sorted(labels) == sorted((label,) for label in nine_bands().labels)
    assert told == dict.fromkeys((*COSTS, "exchanged", "something_else"), 1) | {
        "as_before": 2, "band": 10, "two_bands": 3, "microphone": 2, "seat_moved": 3,
        "seats_exchanged": 3, "all_moved": 3, "high_pass": 2, "low_pass": 2, "mains_high_pass": 2,
    }  # fmt: skip


@pytest.mark.parametrize("step", [1, -1])
def test_a_list_entered_one_band_off_is_found_either_way(step):
    shifted = np.roll(PLANNED, step)
    shifted[0 if step > 0 else -1] = 0.0
    seen = scene(sub=bands(shifted) / bands(PLANNED), sources=("sub",))
    best = max(explanations(seen, setup()), key=lambda one: one.score)
    assert (best.cause.code, best.cause.value) == (CauseCode.SHIFTED, step)


def test_of_two_seats_either_may_have_moved():
    parts = [
        replace(part, seats=SEATS[:2], difference_db=part.difference_db[:2],
                predicted_db=part.predicted_db[:2], before_db=part.before_db[:2])
        for part in scene(sources=("sub",)).parts
    ]  # fmt: skip
    seen = Observation.of(tuple(parts), repeatability_db=0.5)
    found = explanations(seen, setup(equaliser=None, sum_known=False, microphone_db=None))
    moved = [one.cause.seats for one in found if one.cause.code is CauseCode.SEAT_MOVED]
    assert sorted(moved) == [("a",), ("b",)]


LATE = 2j * np.pi * AXIS


@pytest.mark.parametrize(
    ("ratios", "code", "told"),
    [
        ({"sub": -1.0}, "polarity", {}),
        ({"sub": np.exp(-0.02 * LATE)}, "delay", {"value": 0.02}),
        ({"sub": np.exp(0.001 * LATE)}, "delay", {"value": -0.001}),
        ({"sub": 10**0.6}, "level", {"value": 12.0}),
        ({"mains": 10**-0.6}, "mains_level", {"value": -12.0}),
        ({"sub": 10**0.075}, "level", {"value": 1.5}),
        ({"sub": filtered("high", 2, 60.0)}, "high_pass", {"value": 60.0, "engaged": True}),
        ({"sub": 1 / filtered("high", 3, 15.0)}, "high_pass", {"value": 15.0, "engaged": False}),
        ({"sub": filtered("low", 2, 160.0) ** 2}, "low_pass", {"value": 160.0, "engaged": True}),
        ({"sub": 1 / filtered("low", 2, 40.0)}, "low_pass", {"value": 40.0, "engaged": False}),
        ({"mains": 1 / filtered("high", 2, 80.0) ** 2}, "mains_high_pass",
         {"value": 80.0, "engaged": False}),
        ({"sub": 10 ** (microphone_db(AXIS) / 20), "mains": 10 ** (microphone_db(AXIS) / 20)},
         "microphone", {"engaged": True}),
        ({"sub": bands(PLANNED, q=0.4 * 4.318) / bands(PLANNED)}, "width", {"value": 0.4}),
        ({"sub": bands(0.2 * PLANNED) / bands(PLANNED)}, "scaled", {"value": 0.2}),
        ({"sub": bands(1.2 * PLANNED) / bands(PLANNED)}, "scaled", {"value": 1.2}),
        ({"order": (2, 1, 0)}, "seats_exchanged", {"seats": ("a", "c")}),
    ],
)  # fmt: skip
def test_what_was_made_is_found(ratios, code, told):
    """At the ends of what is looked for, so that a narrower search would miss it."""
    known = {} if code in ("width", "scaled") else {"equaliser": None}  # quicker
    seen = scene(**ratios)
    found = explanations(seen, setup(**known))[0]
    assert found.cause.code == code
    for name, value in told.items():
        assert getattr(found.cause, name) == (pytest.approx(value) if name == "value" else value)
    # nothing is left of it in any source but noise of 0.05 dB, and what a deep dip is held at
    assert max(np.abs(left).max() for left in found.left_db(seen)) < 0.5


def test_gains_that_a_cause_stands_for():
    def of(code, **others):
        return gains_in_force_db(Cause(code=CauseCode(code), **others), setup()).tolist()

    inner = PLANNED.tolist()
    assert of("delay") == of("as_planned") == inner
    assert of("as_before") == BEFORE.tolist()
    assert of("other_plan", name="music") == MUSIC.tolist()
    assert of("bands_off") == [0.0] * 9
    assert of("signs") == [0.0, 3.0, 6.0, -4.0, 6.0, 0.0, -2.0, 4.0, 0.0]  # 9 is beyond the range
    assert of("scaled", value=0.5) == [0.5 * gain for gain in inner]
    assert of("scaled", value=2.0)[2] == -12.0
    assert of("shifted", value=1.0) == [0.0, *inner[:-1]]
    assert of("shifted", value=-1.0) == [*inner[1:], 0.0]
    assert of("exchanged", bands=("25", "40"))[1:4] == [4.0, -9.0, -3.0]
    assert of("two_bands", bands=("20", "40"), gains_db=(1.0, 2.0))[:4] == [1.0, -3.0, -9.0, 2.0]
    assert gains_in_force_db(Cause(code=CauseCode.WIDTH), setup()) is None
    assert inner == PLANNED.tolist()


def test_where_no_list_was_set_none_is_looked_for():
    codes = {one.cause.code for one in explanations(scene(), setup(lists=False, sum_known=False))}
    assert codes == {
        *("as_planned", "other_plan", "bands_off", "as_before", "band", "two_bands"),
        *("high_pass", "low_pass", "microphone", "seat_moved", "seats_exchanged", "all_moved"),
        "something_else",
    }
    alone = explanations(scene(sources=("sub", "mains")), setup(sum_known=False, both_alone=True))
    assert {"level", "mains_level"} <= {one.cause.code for one in alone}
    assert not {"delay", "polarity"} & {one.cause.code for one in alone}


def test_where_nothing_differs_the_least_that_is_looked_for_comes_nearest():
    told = {one.cause.code: one.cause for one in explanations(scene(), setup())}
    assert abs(told[CauseCode.LEVEL].value) == abs(told[CauseCode.MAINS_LEVEL].value) == 1.5
    assert abs(told[CauseCode.DELAY].value) == 1e-3
    assert told[CauseCode.SCALED].value in (0.8, 1.2)  # 1.8 dB of 9
    assert told[CauseCode.WIDTH].value in (0.7, 1.4)
