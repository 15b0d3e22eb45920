import numpy as np
import pytest
from judged_rooms import BANDS, found, recorded

from roomeq.analysis.recordings.findings import FindingCode, Severity
from roomeq.room.recorded import is_wrong, judged_within


def ratios(**low):
    """40 dB everywhere but in the bands named, as in ``_31_5=12``."""
    named = {label.strip("_").replace("_", "."): value for label, value in low.items()}
    return [named.get(band.label, 40.0) for band in BANDS]


@pytest.mark.parametrize(
    ("snr_db", "severity"),
    [
        (ratios(_250=5, _315=5), Severity.NOTE),  # above what is used
        (ratios(_16=5), Severity.NOTE),  # below
        (ratios(_100=15, _250=5), Severity.WARNING),  # the worse band is not used
        (ratios(_100=5, _250=5), Severity.FAULT),
    ],
)
def test_noise_alarms_only_where_it_is_used(snr_db, severity):
    low = [band for band, ratio in zip(BANDS, snr_db, strict=True) if ratio < 20.0]
    finding = found(FindingCode.LOW_SNR, band=(low[0].lower, low[-1].upper))
    judged = judged_within(recorded(finding, snr_db=snr_db), (18.0, 113.0))
    assert [one.severity for one in judged.findings] == [severity]
    assert bool(judged.alarms) is (severity is not Severity.NOTE)
    assert not judged.spoilt  # noise counts by band
    assert judged.quality.findings == (finding,)  # what was found stays as it was
    if severity is Severity.NOTE:
        assert "only 18 to 113 Hz are used" in judged.findings[0].remedy


@pytest.mark.parametrize(
    ("code", "band", "severity"),
    [
        (FindingCode.START_MISSING, (10.0, 15.0), Severity.NOTE),
        (FindingCode.START_MISSING, (10.0, 25.0), Severity.FAULT),
        (FindingCode.END_MISSING, (120.0, 500.0), Severity.NOTE),
        (FindingCode.END_MISSING, (100.0, 500.0), Severity.FAULT),
        (FindingCode.HUM, (150.0, 150.0), Severity.NOTE),
        (FindingCode.HUM, (50.0, 50.0), Severity.FAULT),
        # what a slam or clipping does is not held to the band in which it shows
        (FindingCode.DISTURBANCE, (223.0, 445.0), Severity.FAULT),
        (FindingCode.CLIPPING, (223.0, 445.0), Severity.FAULT),
        (FindingCode.DROPPED_SAMPLES, None, Severity.FAULT),
    ],
)
def test_what_lies_outside_is_a_note(code, band, severity):
    judged = judged_within(recorded(found(code, band=band)), (18.0, 113.0))
    assert [one.severity for one in judged.findings] == [severity]
    assert judged.spoilt is (severity is Severity.FAULT)


def test_hum_keeps_what_is_to_be_done_about_it():
    hum = found(FindingCode.HUM, band=(150.0, 150.0))
    judged = judged_within(recorded(hum), (18.0, 113.0))
    assert judged.hum
    assert "never lift a protective earth" in judged.findings[0].remedy
    assert not recorded(found(FindingCode.CLIPPING)).hum


def test_the_worst_comes_first_again():
    noise = found(FindingCode.LOW_SNR, band=(224.0, 355.0))
    slam = found(FindingCode.DISTURBANCE, Severity.WARNING, (20.0, 40.0))
    judged = judged_within(recorded(noise, slam, snr_db=ratios(_250=5)), (18.0, 113.0))
    assert [one.code for one in judged.findings] == [slam.code, noise.code]
    assert judged.alarms == (slam,)


def test_which_faults_say_nothing_of_the_seat():
    wrong = {
        code for code in FindingCode if is_wrong([found(FindingCode.HUM), found(code)]) is not None
    }
    assert wrong == {
        FindingCode.SILENT_CHANNEL,
        FindingCode.SWEEP_NOT_FOUND,
        FindingCode.WRONG_SWEEP,
        FindingCode.WRONG_SAMPLE_RATE,
        FindingCode.CHANNELS_SWAPPED,
        FindingCode.NO_ROOM_HEARD,
        FindingCode.SAME_RECORDING,
        FindingCode.NOT_A_LOOPBACK,
    }
    assert is_wrong([found(FindingCode.WRONG_SWEEP, Severity.WARNING)]) is None
    assert is_wrong([]) is None


@pytest.mark.parametrize("span", [(0.0, 100.0), (100.0, 100.0), (np.nan, 100.0)])
def test_a_span_is_needed(span):
    with pytest.raises(ValueError, match="span"):
        judged_within(recorded(), span)
