import math
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from judged_rooms import found, room, sound, spoilt

from roomeq.analysis.recordings.findings import Finding, FindingCode
from roomeq.analysis.recordings.quality import ClockDrift
from roomeq.analysis.sweeps.decay import Decay
from roomeq.analysis.sweeps.distortion import Distortion
from roomeq.plan.recordings import RecordingRow, detail_rows, recording_rows


def test_a_finding_is_kept_whole():
    one = found(FindingCode.DISTURBANCE, band=(20.0, 40.0))
    assert msgspec.json.decode(msgspec.json.encode(one), type=Finding) == one


def test_a_finding_that_is_damaged_or_lacks_a_part_is_refused():
    kept = msgspec.to_builtins(found(FindingCode.HUM))
    lacking = {name: part for name, part in kept.items() if name != "start"}
    for damaged, said in ((kept | {"confidence": 2.0}, "confidence"), (lacking, "start")):
        with pytest.raises(msgspec.ValidationError, match=said):
            msgspec.json.decode(msgspec.json.encode(damaged), type=Finding)


def test_a_recording_is_kept_with_what_it_counts():
    rows = recording_rows(room([spoilt("a", "a.wav"), sound("b", "b.wav")]))
    assert [(row.seat, row.file, row.counts) for row in rows] == [
        ("a", "a.wav", 0.5),
        ("b", "b.wav", 1.0),
    ]
    assert len(rows[0].bands) == len(rows[0].snr_db) > 5
    again = msgspec.json.decode(msgspec.json.encode(rows), type=tuple[RecordingRow, ...])
    assert again == rows
    assert [one.code for one in rows[0].alarms] == [FindingCode.DISTURBANCE]


def test_what_is_not_known_is_none_and_json_bears_it():
    one = room([sound("a", "a.wav")])
    (kept,) = one.recordings
    snr = np.array(kept.quality.snr_db)
    snr[0] = np.nan
    drift = ClockDrift(ppm=-3.5, uncertainty_ppm=0.1, basis="repeats")
    quality = replace(kept.quality, snr_db=snr, peak_dbfs=-math.inf, drift=drift)
    one = replace(one, recordings=(replace(kept, quality=quality, drift_mended_by="hand"),))
    (row,) = recording_rows(one)
    assert row.snr_db[0] is None
    assert row.peak_dbfs is None
    assert (row.drift_ppm, row.drift_basis, row.drift_mended_by) == (-3.5, "repeats", "hand")
    assert b"NaN" not in msgspec.json.encode(row)


@pytest.mark.parametrize(
    "changes",
    [
        {"snr_db": ()},
        {"counts": 1.01},
        {"counts": math.nan},
    ],
)
def test_a_damaged_row_is_refused(changes):
    (row,) = recording_rows(room([sound("a", "a.wav")]))
    row.check()
    with pytest.raises(ValueError, match=r"a\.wav"):
        msgspec.structs.replace(row, **changes).check()


def test_decay_and_distortion_by_band():
    decay = Decay(
        frequencies=np.array([31.6, 63.1]),
        bandwidths=np.array([22.0, 44.0]),
        t20=np.array([0.5, np.nan]),
        t30=np.array([0.6, np.nan]),
        noise_met_at=np.array([1.0, 0.3]),
        governed_by_filter=np.array([True, True]),
    )
    axis = 1000.0 * 2.0 ** (np.arange(-160, -40) / 24)
    harmonics = np.ones((5, axis.size), dtype=complex)
    harmonics[1:] = np.array([0.1, 0.01, 0.0, 0.0])[:, np.newaxis]
    noise = np.full((5, axis.size), 0.001)
    distortion = Distortion(frequencies=axis, harmonics=harmonics, noise=noise)
    one = room([sound("a", "a.wav"), sound("b", "b.wav")])
    first = replace(one.recordings[0], decay=decay, distortion=distortion)
    rows = detail_rows(replace(one, recordings=(first, one.recordings[1])))
    assert [band.label for band in rows[0].decay] == ["31.5", "63"]
    assert rows[0].decay[0].t20 == 0.5
    assert rows[0].decay[1].t20 is None
    assert rows[0].decay[0].governed_by_filter
    assert rows[0].distortion[0].label == "16"
    assert rows[0].distortion[-1].label == "250"
    for band in rows[0].distortion:
        assert band.orders_db[:2] == pytest.approx((-20.0, -40.0))
        assert band.orders_db[2:] == (None, None)
        assert band.total_percent == pytest.approx(100 * math.hypot(0.1, 0.01))
    assert rows[1].decay == rows[1].distortion == ()
    # only bands that are measured from edge to edge: IEC 61260-1, 22.39 to 56.23 Hz
    for first, last, labels in ((22.3, 56.3, ("25", "50")), (22.5, 56.2, ("31.5", "40"))):
        kept = np.r_[first, np.geomspace(22.6, 56.1, axis.size - 2), last]
        narrow = replace(one.recordings[0], distortion=replace(distortion, frequencies=kept))
        (row,) = detail_rows(replace(one, recordings=(narrow,)))
        assert (row.distortion[0].label, row.distortion[-1].label) == labels
