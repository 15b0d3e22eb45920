from dataclasses import replace

import msgspec
import numpy as np
import pytest
from judged_rooms import found, room, sound, spoilt

from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity
from roomeq.base.recording import Recording
from roomeq.plan.recordings import DecayRow, DetailRow, DistortionRow, recording_rows
from roomeq.report.text.layout import WIDTH, text_of
from roomeq.report.text.recordings import (
    CODES,
    alarm_texts,
    counts_text,
    detail_parts,
    finding_text,
    place_text,
    recording_parts,
    recording_table,
    sureness_text,
)


def test_every_code_has_its_own_words():
    words = [CODES[code] for code in FindingCode]
    assert len(set(words)) == len(words)


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ({}, "channel 1"),
        ({"start": 1.0, "stop": 2.5}, "channel 1, 1.00 to 2.50 s"),
        ({"start": 1.0, "stop": 1.001}, "channel 1, at 1.00 s"),
        ({"lowest": 20.0, "highest": 55.68}, "channel 1, 20 to 55.7 Hz"),
        ({"lowest": 50.0, "highest": 50.0}, "channel 1, 50 Hz"),
    ],
)
def test_a_place_in_words(place, words):
    assert place_text(msgspec.structs.replace(found(FindingCode.HUM), **place)) == words


def test_a_finding_says_what_where_how_sure_and_what_to_do():
    found = Finding.of(
        FindingCode.CLIPPING,
        Severity.FAULT,
        Recording(samples=np.zeros(2), sample_rate=10),
        what="peaks are cut off",
        confidence=0.75,
        seconds=(1, 2),
    )
    text = finding_text(found)
    for part in (
        "FAULT",
        "clipping",
        "likely",
        "1.00 to 2.00 s",
        "peaks are cut off",
        "input gain",
    ):
        assert part in text
    assert [sureness_text(value) for value in (0.95, 0.5)] == ["certain", "possible"]


def laid_out(parts):
    return text_of(*parts).splitlines()


def joined(parts):
    lines = laid_out(parts)
    assert max(len(line) for line in lines) <= WIDTH
    return " ".join(" ".join(lines).split())


def mixed():
    noted = found(FindingCode.LOW_SNR, Severity.NOTE, (224.0, 355.0))
    warned = found(FindingCode.LOW_LEVEL, Severity.WARNING)
    wrong = (found(FindingCode.WRONG_SWEEP), warned)
    return recording_rows(
        room(
            [
                ("sofa", "sub", "sofa.wav", (warned, noted), False),
                spoilt("bench", "bench.wav"),
                ("stool", "sub", "stool.wav", (noted,), False),
                ("bed", "sub", "bed.wav", wrong, True),
                sound("desk", "desk.wav"),
            ]
        )
    )


def test_alarms_come_worst_first_with_file_and_seat():
    texts = alarm_texts(mixed())
    assert [text.split(": ")[0] for text in texts] == [
        "bench.wav (bench)",
        "bed.wav (bed)",
        "sofa.wav (sofa)",
        "bed.wav (bed)",
    ]
    assert all("FAULT" in text for text in texts[:2])
    assert [text.endswith("left out of everything else.") for text in texts] == [
        *(False, True),
        *(False, False),
    ]


def test_a_warning_that_many_share_is_told_once_of_those_that_count():
    warned = found(FindingCode.LOW_LEVEL, Severity.WARNING)
    wrong = (found(FindingCode.WRONG_SWEEP), warned)
    three = [(name, "sub", f"{name}.wav", (warned,), False) for name in ("sofa", "stool", "desk")]
    slams = [spoilt(name, f"{name}.wav") for name in ("bench", "step", "rug")]
    rows = recording_rows(room([("bed", "sub", "bed.wav", wrong, True), *three, *slams]))
    texts = alarm_texts(rows)
    assert [text.split(" ")[0] for text in texts] == [
        *("bed.wav", "bench.wav", "step.wav", "rug.wav"),
        *("bed.wav", "sofa.wav"),
    ]
    assert texts[-1].endswith(" Likewise stool.wav and desk.wav.")
    assert not any("Likewise" in text for text in texts[:-1])
    assert len(alarm_texts(rows[:3])) == 4


def test_each_recording_has_its_line_and_the_notes_stand_together():
    text = joined(recording_parts(mixed()))
    assert "1 sofa.wav sofa -12.0 fully warning: too little level" in text
    assert "2 bench.wav bench -12.0 x 0.5 FAULT: slam, voice or knock" in text
    assert "4 bed.wav bed -12.0 left out FAULT: wrong sweep" in text
    assert "5 desk.wav desk -12.0 fully nothing wrong" in text
    assert "Notes, too much noise: sofa.wav: something; stool.wav: something. What to do" in text
    assert "50 Hz 40 40 40 40 40" in text
    assert text_of(*recording_parts(())) == "\n"


def test_ratios_and_notes_are_told_in_detail_alone():
    text = joined(recording_parts(mixed(), detail=False))
    assert "Signal-to-noise" not in text
    assert "worth knowing" not in text
    assert "2 bench.wav bench -12.0 x 0.5 FAULT: slam, voice or knock" in text
    assert "3 stool.wav stool -12.0 fully 1 note" in text


def test_a_recording_of_an_unknown_excitation_says_so():
    one = room([sound("a", "a.wav")])
    (row,) = recording_rows(replace(one, recordings=(replace(one.recordings[0], judged=False),)))
    assert "only its samples were judged" in joined(recording_parts([row]))


def test_how_much_it_counts():
    (row,) = recording_rows(room([sound("a", "a.wav")]))
    words = [counts_text(msgspec.structs.replace(row, counts=counts)) for counts in (1.0, 0.5, 0.0)]
    assert words == ["fully", "x 0.5", "left out"]


def test_decay_is_bracketed_where_the_filter_rings_and_what_is_not_told_is_blank():
    decay = (
        DecayRow(label="31.5", t20=0.55, t30=None, governed_by_filter=True),
        DecayRow(label="63", t20=0.5, t30=0.61, governed_by_filter=False),
        DecayRow(label="125", t20=None, t30=None, governed_by_filter=True),
    )
    distortion = (
        DistortionRow(label="20", orders_db=(-30.0, None, -52.4, None), total_percent=3.2),
        DistortionRow(label="25", orders_db=(None,) * 4, total_percent=None),
    )
    rows = [
        DetailRow(seat="a", file="a.wav", decay=decay, distortion=distortion),
        DetailRow(seat="b", file="b.wav", decay=(), distortion=()),
        DetailRow(seat="c", file="c.wav", decay=decay[:0], distortion=distortion[1:]),
    ]
    text = joined(detail_parts(rows))
    lines = laid_out(detail_parts(rows))
    assert "31.5 Hz (0.55, -)" in text
    assert "63 Hz 0.50, 0.61" in text
    assert "125 Hz In brackets" in text  # the cell is empty
    assert "20 Hz -30 -52 3.20" in text
    assert not [line for line in lines if line.strip().startswith("25 Hz")]
    assert "b.wav: not told" in text
    assert "Not told: left out, something else was heard" in text
    assert "Nowhere above the noise." in text
    assert "there are none" in joined(detail_parts([]))


def test_signal_to_noise_ratios_that_are_not_known_are_blank():
    one = room([sound("a", "a.wav"), sound("b", "b.wav")])
    first = one.recordings[0]
    snr = np.where(np.arange(first.quality.snr_db.size) == 0, np.nan, 33.0)
    first = replace(first, quality=replace(first.quality, snr_db=snr))
    rows = recording_rows(replace(one, recordings=(first, one.recordings[1])))
    lines = laid_out(recording_parts(rows))
    (row,) = [line.split() for line in lines if line.strip().startswith("16 Hz")]
    assert row == ["16", "Hz", "40"]


def test_drift_is_said_to_be_mended_or_not_in_one_line():
    drift = found(FindingCode.CLOCK_DRIFT, Severity.NOTE)
    (row,) = recording_rows(room([("a", "sub", "a.wav", (drift,), False)]))
    assert "note: clock drift, not mended" in joined([recording_table([row])])
    mended = msgspec.structs.replace(row, drift_mended_by="resampling")
    assert "note: clock drift, mended" in joined([recording_table([mended])])
