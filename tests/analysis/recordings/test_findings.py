import math

import pytest

from roomeq.analysis.recordings.findings import (
    REMEDIES,
    Finding,
    FindingCode,
    FindingPlace,
    Severity,
    confidence_of,
    make_finding,
)
from roomeq.base.recording import Recording


def test_every_code_has_a_remedy():
    assert set(REMEDIES) == set(FindingCode)
    assert all(text.strip() for text in REMEDIES.values())


def test_confidence_starts_at_a_half_and_rises():
    assert confidence_of(1.0) == 0.5
    assert confidence_of(5.0) == pytest.approx(0.9)
    assert confidence_of(math.inf) == 1.0
    for margin in (0.99, math.nan):
        with pytest.raises(ValueError, match="threshold"):
            confidence_of(margin)


def test_a_confidence_lies_between_nothing_and_certainty():
    for confidence in (-0.1, 1.1, math.nan):
        with pytest.raises(ValueError, match="confidence"):
            Finding(
                code=FindingCode.HUM,
                severity=Severity.NOTE,
                what="",
                where=FindingPlace(file=None, channel=1),
                confidence=confidence,
                remedy="",
            )


def test_a_finding_names_file_channel_time_and_band():
    recording = Recording(samples=[0.1, 0.2], sample_rate=10, channel=2, channels=2, path="a.wav")
    found = make_finding(
        FindingCode.CLIPPING,
        Severity.FAULT,
        recording,
        what="cut",
        confidence=0.8,
        seconds=(1, 2),
        band=(20, 40),
        value=3,
    )
    assert found.where == FindingPlace(
        file="a.wav", channel=2, start=1.0, stop=2.0, lowest=20.0, highest=40.0
    )
    assert found.remedy == REMEDIES[FindingCode.CLIPPING]
    assert found.value == 3.0
