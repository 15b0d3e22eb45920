"""The path in words: what a reader must find in it."""

import re
from dataclasses import replace

import numpy as np
import pytest
from joining_rooms import butterworth, delayed

from roomeq.base.response import FrequencyResponse
from roomeq.device.crossover import CrossoverFilter, chain_response
from roomeq.device.path import predict_path
from roomeq.optimiser.path.estimation import estimate_path
from roomeq.report.text.layout import WIDTH, page, text_of
from roomeq.report.text.path import (
    contradiction_texts,
    path_advice,
    path_part,
)

AXIS = np.arange(10.0, 500.0, 1.0)


def low(family, order, where="", corner=80.0):
    return CrossoverFilter(kind="low_pass", family=family, order=order, corner=corner, where=where)


def measured(*filters, phase=True, snr_db=45.0, ripple_db=0.0):
    rng = np.random.default_rng(2)
    t = 1j * AXIS / 30.0
    clean = chain_response(filters, AXIS) * t**2 / (t**2 + t / 0.8 + 1)
    clean = clean * 10 ** (ripple_db * np.sin(40 * np.log2(AXIS)) / 20)
    noise = rng.standard_normal((2, AXIS.size)) / np.sqrt(2) * 10 ** (-snr_db / 20)
    seen = clean + noise[0] + 1j * noise[1]
    if phase:
        return FrequencyResponse.from_pressure(AXIS, seen)
    return FrequencyResponse.from_level(AXIS, 20 * np.log10(np.abs(seen)))


PAIR = (low("linkwitz_riley", 4, "processor"), low("linkwitz_riley", 4, "amplifier"))


@pytest.fixture(scope="module")
def pair_estimate():
    return estimate_path(measured(*PAIR), described=PAIR)


@pytest.fixture(scope="module")
def single_estimate():
    """What is told of one Linkwitz-Riley filter of which nothing was said."""
    return estimate_path(measured(low("linkwitz_riley", 4)))


@pytest.fixture(scope="module")
def seat_estimate():
    return estimate_path(measured(low("linkwitz_riley", 4), ripple_db=3.0), taken="seat")


def joined(part):
    lines = text_of(part).splitlines()
    assert max(len(line) for line in lines) <= WIDTH + 6
    return " ".join(" ".join(lines).split())


def test_described_twice():
    pair = [low("linkwitz_riley", 4, "processor"), low("linkwitz_riley", 4, "amplifier")]
    text = joined(path_part(predict_path(pair), None))
    assert "-12.0 dB at 80 Hz" in text  # closed form 1/4
    assert "48 dB per octave in the end" in text
    assert "not stated; taken to match" in text
    assert "-18.8 dB at 73 Hz" in text  # published table
    assert "Bypass the low-pass Linkwitz-Riley 24 dB/oct at 80 Hz in the amplifier" in text
    assert "it gains 2.5 dB" in text
    assert "in the processor leaves the same response" in text


def test_a_bypass_is_never_said_to_gain_nothing():
    text = joined(path_part(predict_path([low("butterworth", 4)] * 2), None))
    assert "gains nothing from a bypass" not in text
    # scipy's filters: one with the mains' high-pass; two, inverted, which is the flatter then
    low_pass, high_pass = (butterworth(kind, 4, corner=80.0) for kind in ("low", "high"))
    one, two = (
        20 * np.log10(np.abs(added + high_pass).max()) for added in (low_pass, -(low_pass**2))
    )
    assert f"off by at most {one:.1f} dB (normal polarity) instead of {two:.1f} dB" in text
    assert "gets the level back that a second one takes" in text


def test_low_passes_that_stay_are_not_said_to_be_harmless():
    pair = [low("linkwitz_riley", 4, "processor"), low("linkwitz_riley", 4, "amplifier")]
    text = joined(path_part(predict_path(pair, fixed=(0, 1)), None))
    assert "None of these low-passes can be bypassed" in text
    assert "gains nothing" not in text


def test_single_low_pass():
    mains = [CrossoverFilter(kind="high_pass", family="linkwitz_riley", order=4, corner=80.0)]
    text = joined(path_part(predict_path([low("linkwitz_riley", 4)], mains=mains), None))
    assert "nothing to bypass" in text
    assert "not stated" not in text
    assert "nothing left at 80 Hz" in text  # the wrong polarity


def test_mains_stated_to_have_no_high_pass_are_said_so():
    text = joined(path_part(predict_path([low("linkwitz_riley", 4)], mains=()), None))
    assert "Mains: no high-pass" in text
    assert "not stated" not in text


def test_bypass_of_unnamed_places():
    analysis = predict_path([low("linkwitz_riley", 4)] * 2)
    text = path_advice(analysis)
    assert text.startswith("Bypass one low-pass Linkwitz-Riley 24 dB/oct at 80 Hz")
    assert "same response" not in text


def test_delay_is_said_with_its_word():
    with page(86):
        text = joined(path_part(predict_path([low("butterworth", 4)] * 2), None))
    # scipy's filters, inverted: the delay by which their sum is flattest; negative is earlier
    low_pass, high_pass = (butterworth(kind, 4, corner=80.0) for kind in ("low", "high"))
    delays = 1e-3 * np.arange(-10.5, -9.5, 0.01)
    sums = high_pass - delayed(low_pass**2, delays[:, None])
    best = delays[np.abs(20 * np.log10(np.abs(sums))).max(axis=1).argmin()]
    (told,) = re.findall(r"([0-9.]+) ms", text)
    assert float(told) == pytest.approx(-1e3 * best, abs=0.02)
    assert "earlier" in text


def test_identified_with_and_without_description(pair_estimate):
    bare = joined(path_part(None, estimate_path(measured(*PAIR))))
    assert "twice Linkwitz-Riley 24 dB/oct" in bare
    assert "four times Butterworth 12 dB/oct" in bare
    assert "only a description of the path can decide" in bare
    assert "Bypass one low-pass" in bare
    told = joined(path_part(None, pair_estimate))
    assert "in the processor and low-pass Linkwitz-Riley 24 dB/oct at 80 Hz in the amp" in told
    assert "it gains 2.5 dB" in told
    either = joined(path_part(None, estimate_path(measured(PAIR[0]), described=PAIR)))
    assert "either" in either
    assert "cannot tell which" in either


def test_what_is_not_described_is_said(single_estimate):
    stated = (low("butterworth", 3, corner=50.0),)
    found = replace(single_estimate, described=stated, as_described=False)
    text = joined(path_part(None, found))
    assert "not what the room file describes" in text
    assert "Linkwitz-Riley 24 dB/oct" in text
    assert "not what the room file describes" not in joined(path_part(None, single_estimate))


def test_no_low_pass():
    assert "No low-pass is engaged" in joined(path_part(None, estimate_path(measured())))


def test_cannot_tell():
    found = estimate_path(measured(low("linkwitz_riley", 4), snr_db=14.0, phase=False))
    text = joined(path_part(None, found))
    assert "Cannot tell: several fit as well" in text
    assert "Likely" in text


def test_nothing_fits():
    found = estimate_path(measured(low("linkwitz_riley", 4), phase=False, ripple_db=4.0))
    assert "Cannot tell: nothing that was tried" in joined(path_part(None, found))


@pytest.mark.parametrize("words", ["Low-passes that are engaged", "measure close to the cone"])
def test_at_a_seat(words, seat_estimate):
    text = joined(path_part(None, seat_estimate))
    assert words in text
    assert "cannot be told" in text
    assert "Likely" not in text


def test_a_finding_says_what_is_described_and_what_is_likelier(single_estimate):
    stated = (low("linkwitz_riley", 4), low("linkwitz_riley", 4, corner=40.0))

    def texts(described, *, true=False):
        return contradiction_texts(replace(single_estimate, described=described, as_described=true))

    (text,) = texts(stated)
    assert "not what the room file describes" in text
    assert "at 40 Hz" in text.split("likelier is")[0]
    assert "at 40 Hz" not in text.split("likelier is")[1]
    (text,) = texts(())
    assert "(no low-pass), likelier is Linkwitz-Riley 24 dB/oct" in text
    (text,) = contradiction_texts(single_estimate)
    assert "does not state" in text
    assert texts(stated[:1], true=True) == []


def test_a_high_pass_that_is_not_there_is_said(single_estimate):
    missing = replace(single_estimate.high_pass, as_described=False)
    (*_, text) = contradiction_texts(replace(single_estimate, high_pass=missing))
    assert "does not hold the protective high-pass" in text


def test_an_engaged_high_pass_is_said_and_nothing_is_certain():
    pair = (
        low("linkwitz_riley", 4),
        CrossoverFilter(kind="high_pass", family="butterworth", order=4, corner=30.0),
    )
    levels = 20 * np.log10(np.abs(chain_response(pair, AXIS)))
    wire = estimate_path(FrequencyResponse.from_level(AXIS, levels), taken="electrical")
    text = joined(path_part(None, wire))
    assert "Engaged too: high-pass Butterworth 24 dB/oct at 30" in text
    assert "100 % likely" not in text


def test_what_to_bypass_is_said_once(pair_estimate):
    assert "low-passes are in a row" in joined(path_part(None, pair_estimate))
    said = predict_path(PAIR)
    assert "in a row" not in joined(path_part(said, pair_estimate))
    other = predict_path(PAIR[:1])
    assert "in a row" in joined(path_part(other, pair_estimate))
