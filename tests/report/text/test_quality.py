import numpy as np
import pytest

from roomeq.analysis.recordings.findings import FindingCode, FindingPlace, Severity, make_finding
from roomeq.base.recording import Recording
from roomeq.report.text.quality import (
    code_text,
    finding_text,
    place_text,
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
