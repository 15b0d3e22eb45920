"""Room folders of recorded sweeps, sound or with faults put into them, and what `check` says."""

import json
from functools import lru_cache

import numpy as np
import soundfile
from quality_recordings import RATE, START, SWEEP, clean, heard, noisy, place, played, slam

from roomeq.analysis.recordings.drift import mend_clock_drift
from roomeq.analysis.recordings.findings import FindingCode
from roomeq.base.recording import Recording
from roomeq.cli.main import main
from roomeq.importers.room import read_room
from roomeq.importers.sweep_files import write_sweep
from roomeq.jobs.check import room_overview
from roomeq.report.text.room import room_text


def wire(seed=2):
    """The loopback: what was played, halved, with the converter's noise."""
    return 0.5 * played() + 1e-5 * np.random.default_rng(seed).standard_normal(played().size)


def drifted(samples, ppm):
    """As a recorder hears it whose clock runs fast by so much."""
    one = Recording(samples=samples, sample_rate=RATE)
    return mend_clock_drift(one, drift_ppm=-ppm).samples


def hum(frames, level_dbfs, mains=50.0):
    times = np.arange(frames) / RATE
    return 10 ** (level_dbfs / 20) * sum(
        10 ** (-(order - 1) / 2) * np.sin(2 * np.pi * mains * order * times + order)
        for order in (1, 2, 3)
    )


def write_room(folder, seats, *, more=""):
    """Write a room of one recording for each entry of `seats`, and return its folder.

    An entry is (seat, file, samples), or (seat, file, samples, loopback), or with a rate at the
    end.
    """
    for old in folder.glob("sweep.*"):
        old.unlink()
    write_sweep(folder / "sweep.wav", np.atleast_2d(played()), sweep=SWEEP)
    lines = ["format = 1", 'name = "Chapel"', "[sweep]", 'description = "sweep.json"']
    lines += ["[levels]", "comparable = true", "[target]", "lower_limit = 25", more]
    for seat, file, samples, loopback, rate in (_filled(entry) for entry in seats):
        columns = [samples] if loopback is None else [samples, loopback]
        size = min(column.size for column in columns)
        rows = np.column_stack([column[:size] for column in columns])
        soundfile.write(folder / file, rows, rate, subtype="DOUBLE")
        lines += ["[[measurements]]", 'kind = "sweep"', f'seat = "{seat}"', f'file = "{file}"']
        lines += [] if loopback is None else ["channel = 1", "loopback_channel = 2"]
    (folder / "room.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def _filled(entry):
    seat, file, samples, *rest = entry
    loopback = next((part for part in rest if isinstance(part, np.ndarray)), None)
    rate = next((part for part in rest if isinstance(part, int)), RATE)
    return seat, file, samples, loopback, rate


def said(words, capsys):
    """Return exit status and what the command prints, wrapped lines joined, or its JSON."""
    status = main(words)
    text = capsys.readouterr().out
    return status, json.loads(text) if "--json" in words else " ".join(text.split())


def looked_at(folder, *, detail=False):
    """Return a room, what `check` prints of it, wrapped lines joined, and its JSON: read once."""
    room = read_room(folder, detail=detail)
    overview = room_overview(room, detail=detail)
    text = room_text(overview, detail=detail)
    return room, " ".join(text.split()), json.loads(overview.to_json())


def slammed(seat=1):
    """A slam at 13 s, which nobody overhears."""
    return clean(seat=seat) + 0.3 * slam(clean().size, 13.0)


@lru_cache(maxsize=1)
def faulty():
    """Recordings with one fault each, each with its own noise: name of the code, what to write."""
    own = {code: clean(seat=1, seed=100 + n) for n, code in enumerate(FindingCode)}
    size = clean().size
    lost = own["dropped_samples"].copy()
    lost[place(12.0) : place(12.0) + 900] = 0.0
    quiet = own["low_level"] * 10 ** (-52 / 20) / np.abs(own["low_level"]).max()
    turned = own["gain_changed"].copy()
    turned[place(START + 4.0) :] *= 0.5
    return {
        "silent_channel": (np.zeros(size),),
        "low_level": (np.round(quiet * 2**15) / 2**15,),
        "clipping": (np.clip(own["clipping"], -0.2, 0.2),),
        "dc_offset": (own["dc_offset"] + 0.15,),
        "dropped_samples": (lost,),
        "low_snr": (noisy(heard(seat=1), seed=4, snr_db=15.0),),
        "hum": (own["hum"] + hum(size, -55.0),),
        "disturbance": (slammed(),),
        "start_missing": (own["start_missing"][place(START + 3.0) :],),
        "end_missing": (own["end_missing"][: place(START + SWEEP.duration - 3.0)],),
        "sweep_not_found": (1e-3 * np.random.default_rng(7).standard_normal(size),),
        "wrong_sample_rate": (own["wrong_sample_rate"], 22050),
        "channels_swapped": (wire(), own["channels_swapped"]),
        "no_room_heard": (wire(3),),
        "clock_drift": (noisy(drifted(heard(seat=1), 100.0), seed=5),),
        "coarse_samples": (np.round(own["coarse_samples"] * 100.0) / 100.0,),
        "not_a_loopback": (own["not_a_loopback"], clean(seat=2, seed=9)),
        "gain_changed": (turned,),
        "same_recording": (0.7 * clean(seat=0),),
    }
