import math

import pytest

from roomeq.analysis.recordings.findings import (
    REMEDIES,
    Finding,
    FindingCode,
    Severity,
    confidence_of,
)
from roomeq.base.recording import Recording

ONE = Recording(samples=[0.1, 0.2], sample_rate=10, channel=2, channels=2, path="a.wav")


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
            Finding.of(FindingCode.HUM, Severity.NOTE, ONE, what="", confidence=confidence)


def test_a_finding_names_channel_time_and_band():
    found = Finding.of(
        FindingCode.CLIPPING,
        Severity.FAULT,
        ONE,
        what="cut",
        confidence=0.8,
        seconds=(1, 2),
        band=(20, 40),
        value=3,
    )
    assert found.channel == 2
    assert (found.start, found.stop) == (1.0, 2.0)
    assert (found.lowest, found.highest) == (20.0, 40.0)
    assert found.remedy == REMEDIES[FindingCode.CLIPPING]
    assert found.value == 3.0
