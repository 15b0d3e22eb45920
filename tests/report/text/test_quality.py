import numpy as np
import pytest
from quality_recordings import SWEEP, clean, recording

from roomeq.analysis.recordings.findings import FindingCode, FindingPlace, Severity, make_finding
from roomeq.analysis.recordings.quality import judge_recordings
from roomeq.base.recording import Recording
from roomeq.report.text.layout import WIDTH
from roomeq.report.text.quality import (
    code_text,
    finding_text,
    place_text,
    quality_lines,
    sureness_text,
)


def test_every_code_has_its_own_words():
    words = [code_text(code) for code in FindingCode]
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
    assert place_text(FindingPlace(file=None, channel=1, **place)) == words


def test_a_finding_says_what_where_how_sure_and_what_to_do():
    found = make_finding(
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


def test_a_table_of_ratios_and_the_findings_of_each():
    good = recording(clean(), path="one.wav")
    again = recording(clean(), path="two.wav")
    silent = recording(np.zeros(clean().size), path="three.wav")
    lines = quality_lines(judge_recordings([good, again, silent], SWEEP))
    text = "\n".join(lines)
    assert max(len(line) for line in lines) <= WIDTH
    assert "1: one.wav, channel 1" in text
    assert "Nothing wrong was found." in text
    assert "the same recording as one.wav" in " ".join(text.split())
    assert "silent channel" in text
    (row,) = [line.split() for line in lines if line.strip().startswith("50 Hz")]
    assert len(row) == 4  # band and unit, two figures; the silent one has none
    assert float(row[2]) == float(row[3])
    assert quality_lines([]) == []
