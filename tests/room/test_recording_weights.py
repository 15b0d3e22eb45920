from dataclasses import replace

import pytest
from judged_rooms import found, room, sound, spoilt

from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.jobs import join as joining_proposal
from roomeq.room.recording_weights import recording_counts, weighed_room


def test_a_room_without_faults_stays_the_same():
    one = room([sound("a", "a"), sound("b", "b")])
    assert weighed_room(one) is one
    assert recording_counts(one) == (1.0, 1.0)


def test_warnings_and_noise_change_no_seat():
    warned = found(FindingCode.DISTURBANCE, Severity.WARNING)
    noise = found(FindingCode.LOW_SNR)
    one = room([("a", "sub", "a", (warned, noise), False), sound("b", "b")])
    assert weighed_room(one) is one


def test_the_only_recording_of_a_seat_counts_half():
    one = room([spoilt("a", "a"), sound("b", "b")], weights={"a": 2.0})
    assert recording_counts(one) == (0.5, 1.0)
    assert weighed_room(one).survey.weights == pytest.approx([0.5, 0.5])  # 1 and 1, not 2 and 1
    assert one.survey.weights == pytest.approx([2 / 3, 1 / 3])


def test_a_repeat_takes_its_place():
    one = room([spoilt("a", "a1"), sound("a", "a2"), sound("b", "b")])
    assert recording_counts(one) == (0.0, 1.0, 1.0)
    weighed = weighed_room(one)
    assert [entry.file for entry in weighed.survey.measurements] == ["a2", "b"]
    assert weighed.survey.weights == pytest.approx([0.5, 0.5])


def test_two_spoilt_repeats_both_count_half():
    one = room([spoilt("a", "a1"), spoilt("a", "a2"), sound("b", "b")])
    assert recording_counts(one) == (0.5, 0.5, 1.0)
    weighed = weighed_room(one)
    assert len(weighed.survey.measurements) == 3
    assert weighed.survey.weights == pytest.approx([1 / 3, 2 / 3])


def test_a_sound_recording_of_another_source_does_not_help():
    one = room([spoilt("a", "a"), sound("a", "m", "mains"), sound("b", "b")])
    assert recording_counts(one)[0] == 0.5


def test_a_spoilt_recording_of_the_mains_does_not_weigh_the_subwoofer():
    one = room([sound("a", "a"), spoilt("a", "m", "mains"), sound("b", "b")])
    assert recording_counts(one) == (1.0, 0.5, 1.0)
    assert weighed_room(one).survey.weights == pytest.approx([0.5, 0.5])


def test_what_was_left_out_counts_nothing():
    wrong = found(FindingCode.SILENT_CHANNEL)
    one = room([("a", "sub", "a", (wrong,), True), sound("b", "b")])
    assert recording_counts(one) == (0.0, 1.0)
    assert weighed_room(one) is one


def test_joining_weighs_alike(monkeypatch):
    seen = []

    def offer(weighed):
        seen.append(weighed)
        raise ValueError("seen enough")

    monkeypatch.setattr(joining_proposal, "joining_offer", offer)
    mains = ("a", "mains", "m", (), False)
    one = replace(room([spoilt("a", "a1"), sound("a", "a2"), spoilt("b", "b"), mains]), corner=80.0)
    with pytest.raises(ValueError, match="seen enough"):
        joining_proposal.join(one)
    (weighed,) = seen
    assert [entry.file for entry in weighed.survey.measurements] == ["a2", "b", "m"]
    assert weighed.survey.weights == pytest.approx([2 / 3, 1 / 3])
