"""Subwoofer and mains as recorded sweeps with a loopback: their time zero is one and the same."""

import numpy as np
import pytest
import soundfile
from joining_rooms import delayed, linkwitz_riley
from recorded_rooms import heard

from roomeq.analysis.sweeps.sweep import playback_signal
from roomeq.base.recording import SweepDescription
from roomeq.importers.room import read_room
from roomeq.importers.sweep_files import write_sweep
from roomeq.jobs.join import join

RATE = 6000
SWEEP = SweepDescription(
    start=10.0, stop=500.0, length=6.0, level_dbfs=-20.0, sample_rate=RATE, lead_in=5.0, tail=1.0
)
ROOM = """\
format = 1
name = "Loft"
[sweep]
description = "sweep.json"
[levels]
comparable = true
[timing]
common_reference = true
[device]
profile = "nine_band"
[device.present]
delay_ms = 0
[[path]]
kind = "low_pass"
family = "linkwitz_riley"
order = 4
corner = 80
[[mains_path]]
kind = "high_pass"
family = "linkwitz_riley"
order = 4
corner = 80
"""
LATE = 0.004
AWAY = {"sub": 0.012 + LATE, "mains": 0.012}


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    folder = tmp_path_factory.mktemp("loft")
    signal = playback_signal(SWEEP)[0]
    write_sweep(folder / "sweep.wav", playback_signal(SWEEP), sweep=SWEEP)
    tables = []
    for number, (source, kind) in enumerate((("sub", "low"), ("mains", "high"))):

        def transfer(axis, *, source=source, kind=kind):
            crossover = linkwitz_riley(kind, 4, corner=80.0, frequencies=axis)
            return delayed(crossover, AWAY[source], frequencies=axis)

        start = 1000 + 777 * number  # the recorder is started by hand
        channels = np.stack([heard(signal, RATE, transfer), signal], axis=1)
        quiet = np.random.default_rng(number).normal(scale=1e-6, size=(start, 2))
        soundfile.write(
            folder / f"{source}.wav", np.concatenate([quiet, channels]), RATE, subtype="FLOAT"
        )
        tables.append(
            f'[[measurements]]\nkind = "sweep"\nseat = "sofa"\nfile = "{source}.wav"\n'
            f'source = "{source}"\nroute = "bass_managed_main"\nloopback_channel = 2\n'
        )
    (folder / "room.toml").write_text(ROOM + "".join(tables), encoding="utf-8")
    return read_room(folder)


def test_the_delay_between_them_survives_reading(room):
    responses = {m.source: m.response for m in room.survey.measurements}
    axis = responses["sub"].frequencies
    inside = (axis > 40.0) & (axis < 160.0)
    ratio = responses["sub"].pressure / np.interp(
        axis, responses["mains"].frequencies, responses["mains"].pressure
    )
    wanted = delayed(
        linkwitz_riley("low", 4, corner=80.0, frequencies=axis)
        / linkwitz_riley("high", 4, corner=80.0, frequencies=axis),
        LATE,
        frequencies=axis,
    )
    turn = np.angle((ratio / wanted)[inside], deg=True)
    assert np.abs(turn).max() < 3.0
    assert np.abs(20 * np.log10(np.abs(ratio / wanted)))[inside].max() < 0.3


def test_joining_takes_it_out(room):
    record = join(room).record
    assert record is not None
    # the shortest of what loses at most 0.3 dB more: 0.9 ms of 12.5 at 80 Hz, |cos(pi f t)|
    best = record.alignment.normal.settings
    assert best.delay_ms == pytest.approx(-1e3 * LATE, abs=0.1)
    assert record.settings.delay_ms == pytest.approx(-1e3 * LATE, abs=1.0)
    assert not record.settings.inverted
    assert record.loss_db < 0.32
    assert record.polarity.inverted is False
