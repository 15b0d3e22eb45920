"""How many faulty recordings of sweeps are told, by their right cause, how many clean ones accused.

    python tests/benchmarks/bench_wrong_sweeps.py [--seed N] [--clean N] [--only KIND] [--verbose]

Recordings come from `wrong_sweep_makers`, which shares nothing with the library; only the sweeps
that `roomeq sweep` writes are played from its files. Every fault comes at three strengths, each in
a room of its own. Printed: responses that are wrong by more than 0.3 dB (rms over what is used of
them, within 25 dB of the maximum) although nothing is said; whether a right cause is named and no
other stands before it; false alarms on clean recordings. Where the gain changes, or was not told by
a description, the mean difference is taken off.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import sys
import tempfile
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks import wrong_sweep_makers as make

import roomeq
from roomeq.base.errors import RoomeqError
from roomeq.cli.main import main as command_line

AXIS = np.geomspace(18.0, 200.0, 160)
AXIS_OTHER = np.geomspace(15.0, 400.0, 300)  # of a text that stands beside, so that a room is left
OWN = dict(start=10, stop=500, length=5, tail=4)


@dataclass(kw_only=True)
class Case:
    """One recording with what was played and what is true."""

    kind: str
    strength: str
    played: np.ndarray  # all that was sent to the loudspeaker
    rate: int
    sweep_at: float  # s in what was played
    sweep_length: float
    description: Path | None = None
    reference: np.ndarray | None = None
    reference_rate: int = 0
    accept: tuple[str, ...] = ()
    companions: tuple[str, ...] = ()
    remedy: str = ""  # a word that must stand in the remedy
    impulse: np.ndarray = field(default_factory=lambda: np.zeros(0))
    microphone: np.ndarray = field(default_factory=lambda: np.zeros(0))
    loopback: np.ndarray | None = None
    gain: float = 1.0
    subtype: str = "PCM_24"
    header_rate: int = 0
    shape_only: bool = False
    swapped: bool = False
    before: float = 0.0  # s of recording before playback began

    def at(self, since: float) -> float:
        """When in the recording the sweep has played for so long, the travel time left out."""
        return self.before + self.sweep_at + since


class Bench:
    """Makes cases in a folder, lets the library judge them, and counts."""

    def __init__(self, folder: Path, seed: int, *, rate: int = 48000) -> None:
        self.folder, self.rate = folder, rate
        self.rng = np.random.default_rng(seed)
        self._own: dict[str, tuple[np.ndarray, int, Path]] = {}

    def own(self, **options: float) -> tuple[np.ndarray, int, Path]:
        """What `roomeq sweep` writes, read back as a player would."""
        options = OWN | options
        name = "-".join(f"{key}{value:g}" for key, value in options.items())
        if name not in self._own:
            wav = self.folder / f"{name}.wav"
            words = [f"--{key.replace('_', '-')}={value:g}" for key, value in options.items()]
            with contextlib.redirect_stdout(io.StringIO()):
                command_line(["sweep", str(wav), "--level=-12", *words])
            samples, rate = soundfile.read(wav)
            self._own[name] = samples, rate, wav.with_suffix(".json")
        return self._own[name]

    def base(self, kind: str, strength: object = "", excitation: str = "own", **options) -> Case:
        """A recording to come: excitation and, in `accept`, nothing."""
        rng = self.rng
        rate = options.setdefault("rate", self.rate)
        if excitation == "own":
            played, rate, description = self.own(**options)
            document = json.loads(description.read_text())["sweep"]
            length = float(document["length"])
            return Case(
                kind=kind, strength=str(strength), played=played, rate=rate,
                description=description, sweep_at=document["lead_in"] + document["pause"],
                sweep_length=length,
            )  # fmt: skip
        start, stop = options.get("start", rng.uniform(8, 16)), options.get("stop", 500.0)
        length = options.get("length", 5.0)
        shape = make.linear if excitation == "linear" else make.exponential
        sweep = shape(start, stop, length, rate, peak=0.3)
        ahead, behind = options.get("ahead", 1.0), options.get("behind", 2.5)
        repeats = options.get("repeats", 1)
        once = np.concatenate((sweep, np.zeros(round(behind * rate))))
        played = np.concatenate((np.zeros(round(ahead * rate)), *[once] * repeats))
        case = Case(
            kind=kind,
            strength=str(strength),
            played=played,
            rate=rate,
            sweep_at=ahead,
            sweep_length=length,
        )
        if excitation == "described":
            case.description = self.describe(start, stop, length, rate, behind, repeats)
        else:
            silence = options.get("silence", 3.0)
            quiet = np.zeros(round(rate * silence))
            case.reference = np.concatenate(
                (np.zeros(round(rate * options.get("lead", 0.0))), sweep, quiet)
            )
            case.reference_rate = rate
        return case

    def describe(self, start, stop, length, rate, tail, repeats=1) -> Path:
        """A fair description of a sweep that another program wrote."""
        path = self.folder / f"foreign-{start:.4f}-{length:g}-{rate}-{repeats}.json"
        sweep = dict(
            start=start, stop=stop, length=length, level_dbfs=20 * np.log10(0.3), sample_rate=rate,
            lead_in=0.0, pause=0.0, tail=tail, fade_in=0.01, fade_out=0.01, repeats=repeats,
            synchronised=False,
        )  # fmt: skip
        path.write_text(json.dumps({"format": "roomeq sweep", "version": 1, "sweep": sweep}))
        return path

    def hear(
        self, case: Case, *, decay=0.5, noise_db=50.0, colour="pink", before=0.7, after=0.7,
        peak=0.35, drive=None, subwoofer=True,
    ) -> Case:  # fmt: skip
        """Let the room hear what was played, with steady noise below the sweep's rms."""
        rng, rate = self.rng, case.rate
        case.impulse = make.room(rng, rate, decay=decay, subwoofer=subwoofer)
        sent = case.played if drive is None else drive
        ahead, behind = np.zeros(round(before * rate)), np.zeros(round(after * rate))
        sent = np.concatenate((ahead, sent, behind))
        heard = make.through(sent, case.impulse)[: sent.size]
        case.gain = peak / np.abs(heard).max()
        case.before = before
        first = round(case.at(0) * rate)
        part = heard[first : first + round(case.sweep_length * rate)]
        level = case.gain * np.sqrt(np.mean(part**2)) * 10 ** (-noise_db / 20)
        case.microphone = case.gain * heard + level * make.noise(rng, heard.size, rate, colour)
        less = 0.95 / np.abs(case.microphone).max() if noise_db < 10 else 1.0
        case.gain *= less
        case.microphone *= less
        return case

    def with_loopback(self, case: Case, *, gain=0.7, noise=1e-5) -> Case:
        """Add the channel into which the excitation is fed back, through a coupling capacitor."""
        import scipy.signal

        sent = np.concatenate((np.zeros(round(case.before * case.rate)), case.played))
        sent = np.pad(sent, (0, max(0, case.microphone.size - sent.size)))[: case.microphone.size]
        sos = scipy.signal.butter(1, 2.0, "highpass", fs=case.rate, output="sos")
        case.loopback = gain * scipy.signal.sosfilt(sos, sent)
        case.loopback += noise * self.rng.standard_normal(sent.size)
        return case

    def judge(self, case: Case) -> tuple[bool, list[tuple[str, str, str, str]], float, str]:
        """Return whether anything is said, what is, the error in dB, and what broke."""
        room = self.folder / "room"
        room.mkdir(exist_ok=True)
        for old in room.iterdir():
            old.unlink()
        channels = [case.microphone] if case.loopback is None else [case.microphone, case.loopback]
        if case.swapped:
            channels = channels[::-1]
        frames = np.stack(channels, axis=1)
        frames = np.clip(frames, -1.0, 1.0 - 2.0**-23)
        soundfile.write(
            room / "seat.wav", frames, case.header_rate or case.rate, subtype=case.subtype
        )
        if case.description is not None:
            (room / "sweep.json").write_text(case.description.read_text())
            excitation = 'description = "sweep.json"'
        else:
            soundfile.write(
                room / "reference.wav", case.reference, case.reference_rate, subtype="PCM_24"
            )
            excitation = 'reference = "reference.wav"'
        loopback = "" if case.loopback is None else "loopback_channel = 2\n"
        (room / "room.toml").write_text(
            f'format = 1\nname = "Bench"\npath = "none"\n[sweep]\n{excitation}\n[[measurements]]\n'
            f'kind = "sweep"\nseat = "seat"\nfile = "seat.wav"\nchannel = 1\n{loopback}'
            '[[measurements]]\nseat = "other"\nfile = "other.txt"\n'
        )
        levels = 80.0 - 30.0 * np.log10(np.maximum(AXIS_OTHER / 80.0, 1.0))
        lines = [f"{f:.3f} {level:.2f}" for f, level in zip(AXIS_OTHER, levels, strict=True)]
        (room / "other.txt").write_text("\n".join(lines))
        try:
            read = roomeq.read_room(room)
        except RoomeqError as fault:
            found = getattr(fault, "findings", ())
            return True, [], np.nan, f"{fault} {found}"
        told = [
            (one.code.value, one.severity.value, one.remedy, one.what)
            for recorded in read.recordings
            for one in recorded.alarms
        ]
        responses = [one for one in read.survey.measurements if one.seat == "seat"]
        span = read.used_span("sub")
        error = np.nan if not responses else self.error(case, responses[0].response, span)
        return bool(told), told, error, ""

    @staticmethod
    def error(case: Case, response, span: tuple[float, float]) -> float:
        """Rms difference from the truth in dB."""
        inside = (response.frequencies[0] <= AXIS) & (response.frequencies[-1] >= AXIS)
        axis = AXIS[inside & (span[0] <= AXIS) & (span[1] >= AXIS)]
        true = make.truth(case.impulse, case.rate, axis) + 20 * np.log10(case.gain)
        used = true >= true.max() - 25.0
        off = (np.interp(axis, response.frequencies, response.level_db) - true)[used]
        if case.shape_only or case.reference is not None:
            off = off - off.mean()
        return float(np.sqrt(np.mean(off**2)))


def faulty(bench: Bench):
    """Yield faulty recordings, each fault at three strengths."""
    rng = bench.rng
    for early in (1.0, 0.3, 0.0):
        for excitation in ("own", "reference"):
            case = bench.base("stopped early", f"{early} s after, {excitation}", excitation)
            bench.hear(case, decay=0.6)
            stop = round((case.at(case.sweep_length) + early) * case.rate)
            case.microphone = case.microphone[:stop]
            case.accept = ("decay_cut", "noise_unknown", "end_missing", "")
            yield case
    for missing in (0.4, 1.8, 2.5):
        for excitation in ("own", "reference"):
            case = bench.hear(
                bench.base("cut before its end", f"{missing} s, {excitation}", excitation)
            )
            case.microphone = case.microphone[
                : round((case.at(case.sweep_length) - missing) * case.rate)
            ]
            case.accept = ("end_missing",) if missing > 1 else ("end_missing", "")
            case.companions = ("decay_cut", "noise_unknown", "low_snr")
            yield case
    for missing in (0.9, 1.6, 2.6):
        for excitation in ("own", "reference"):
            case = bench.hear(
                bench.base("begun too late", f"{missing} s, {excitation}", excitation)
            )
            case.microphone = case.microphone[round(case.at(missing) * case.rate) :]
            case.accept, case.companions = (
                ("start_missing",),
                ("noise_unknown", "low_snr", "decay_cut"),
            )
            yield case
    for missing, rumble in ((1.2, 0), (2.0, 0), (3.0, 0), (1.4, 1), (2.2, 1), (2.8, 1)):
        name = "late wake in rumble" if rumble else "late wake"
        case = bench.base(name, f"{missing} s")
        awake = round((case.sweep_at + missing) * case.rate)
        drive = case.played.copy()
        drive[:awake] = 0.0
        ramp = round(0.03 * case.rate)
        drive[awake : awake + ramp] *= np.linspace(0, 1, ramp)
        bench.hear(
            case,
            drive=drive,
            colour="brown" if rumble else "pink",
            noise_db=30.0 if rumble else 50.0,
        )
        case.accept, case.companions = ("start_missing",), ("low_snr",)
        yield case
    for most in (3.0, 6.0, 12.0):
        case = bench.hear(bench.base("gain control", f"{most} dB"))
        case.microphone = make.gain_control(case.microphone, case.rate, most_db=most)
        case.accept, case.shape_only = ("gain_changed",), True
        yield case
    for step in (-1.5, 4.0, -8.0):
        case = bench.hear(bench.base("gain turned", f"{step} dB"), peak=0.2)
        at = case.at(rng.uniform(1.5, 3.5))
        case.microphone = make.gain_step(case.microphone, case.rate, at=at, step_db=step)
        case.accept, case.shape_only = ("gain_changed",), True
        if abs(step) < 2:
            case.accept = ("gain_changed", "")
        yield case
    for count in (60, 500, 4800):
        case = bench.hear(bench.base("lost samples", count))
        at = round(case.at(rng.uniform(1.0, 3.5)) * case.rate)
        case.microphone = np.delete(case.microphone, slice(at, at + count))
        case.accept, case.companions = ("dropped_samples",), ("disturbance",)
        yield case
    for count in (60, 500, 4800):
        for excitation in ("own", "described"):
            if excitation == "own":
                case = bench.base(
                    "lost in a repeat", f"{count}, {excitation}", repeats=3, length=4, tail=2
                )
            else:
                case = bench.base(
                    "lost in a repeat", f"{count}, {excitation}", excitation, repeats=3
                )
            bench.hear(case)
            period = case.sweep_length + (2.0 if excitation == "own" else 2.5)
            at = round((case.at(rng.uniform(1.0, 3.0)) + period) * case.rate)
            case.microphone = np.delete(case.microphone, slice(at, at + count))
            case.accept = ("dropped_samples", "repeats_disagree")
            case.companions = ("disturbance",)
            yield case
    for count in (200, 1000, 5000):
        case = bench.hear(bench.base("gap of zeros", count))
        at = round(case.at(rng.uniform(1.5, 3.5)) * case.rate)
        case.microphone[at : at + count] = 0.0
        case.accept, case.companions = ("dropped_samples",), ("disturbance",)
        yield case
    for level_db in (-36.0, -28.0, -20.0):
        for excitation in ("own", "reference"):
            case = bench.hear(bench.base("hum", f"{level_db} dB, {excitation}", excitation))
            line = make.hum(rng, case.microphone.size, case.rate, float(rng.choice([50.0, 60.0])))
            case.microphone = case.microphone + 0.35 * 10 ** (level_db / 20) * line
            case.accept, case.companions = ("hum",), ("low_snr",)
            yield case
    for peak in (0.05, 0.15, 0.4):
        for excitation in ("own", "reference"):
            case = bench.hear(bench.base("slam", f"{peak}, {excitation}", excitation))
            at = case.at(rng.uniform(1.0, 4.0))
            case.microphone = case.microphone + peak * make.slam(
                rng, case.microphone.size, case.rate, at
            )
            case.accept = ("disturbance",)
            yield case
    for peak in (0.03, 0.1, 0.3):
        case = bench.hear(bench.base("voice", peak))
        at = case.at(rng.uniform(0.5, 3.0))
        case.microphone = case.microphone + peak * make.voice(
            rng, case.microphone.size, case.rate, at
        )
        case.accept = ("disturbance",)
        yield case
    for over_db in (1.0, 3.0, 8.0):
        case = bench.hear(bench.base("clipped input", f"{over_db} dB"), peak=10 ** (over_db / 20))
        case.microphone = np.clip(case.microphone, -0.999, 0.999)
        case.accept, case.companions = ("clipping",), ("distortion",)
        yield case
    for share in (0.15, 0.25, 0.4):
        for excitation in ("own", "reference"):
            case = bench.base("loudspeaker at its limit", f"{share}, {excitation}", excitation)
            bench.hear(case, drive=make.bent(case.played, share))
            case.accept, case.companions = ("distortion",), ("clipping", "gain_changed")
            yield case
    for limit in (0.8, 0.6, 0.4):
        case = bench.base("amplifier clips", limit)
        bench.hear(case, drive=make.clipped(case.played, limit))
        case.accept, case.companions = ("distortion", "gain_changed"), ("clipping", "gain_changed")
        yield case
    for peak in (0.5, 0.2, 0.05):
        case = bench.hear(bench.base("mu-law", peak), peak=peak)
        case.microphone = make.compressed(case.microphone)
        case.subtype = "PCM_16"
        case.accept, case.companions = ("coarse_samples",), ("low_level", "disturbance_")
        yield case
    for peak in (0.003, 0.0012, 0.0004):
        case = bench.hear(bench.base("16 bits at low level", peak), peak=peak, noise_db=60.0)
        case.subtype = "PCM_16"
        case.accept, case.companions = ("low_level",), ("low_snr", "distortion_")
        yield case
    for excitation in ("own", "described", "reference"):
        case = bench.with_loopback(
            bench.hear(bench.base("swapped channels", excitation, excitation))
        )
        case.swapped, case.accept = True, ("channels_swapped",)
        yield case
    for excitation in ("own", "described", "reference"):
        case = bench.with_loopback(
            bench.hear(bench.base("microphone is loopback", excitation, excitation))
        )
        case.microphone, case.accept = case.loopback.copy(), ("no_room_heard",)
        yield case
    for excitation in ("own", "described", "reference"):
        case = bench.hear(bench.base("second microphone as loopback", excitation, excitation))
        other = replace(case)
        bench.hear(other)
        case.loopback, case.accept = other.microphone, ("not_a_loopback",)
        yield case
    for level, excitation in ((0.0, "own"), (1e-5, "reference"), (1e-4, "described")):
        case = bench.hear(bench.base("dead microphone", f"{level}, {excitation}", excitation))
        case.microphone = level * rng.standard_normal(case.microphone.size)
        case.accept = ("silent_channel", "sweep_not_found")
        yield case
    for level, excitation in ((0.0, "own"), (1e-5, "reference"), (1e-4, "described")):
        case = bench.hear(bench.base("dead loopback", f"{level}, {excitation}", excitation))
        case.loopback = level * rng.standard_normal(case.microphone.size)
        case.accept, case.remedy = ("silent_channel", "sweep_not_found"), "loopback"
        yield case
    for level in (0.003, 0.001, 0.0003):
        case = bench.with_loopback(
            bench.hear(bench.base("attenuated loopback", level)), gain=level / 0.25
        )
        case.accept, case.remedy = ("low_level",), "loopback"
        yield case
    for length, stop in ((5.25, 500.0), (6.0, 500.0), (5.0, 20000.0)):
        for excitation in ("own", "reference"):
            case = bench.base(
                "another sweep", f"{length} s to {stop:g} Hz, {excitation}", excitation
            )
            other = make.exponential(10.0, stop, length, case.rate, peak=0.3)
            ahead = np.zeros(round(case.sweep_at * case.rate))
            case.played = np.concatenate((ahead, other, np.zeros(round(2.5 * case.rate))))
            bench.hear(case, subwoofer=stop < 1000)
            case.accept = ("wrong_sweep", "wrong_sample_rate")
            yield case
    for true, stated in ((44100, 48000), (48000, 44100), (48000, 96000)):
        for excitation in ("own", "reference"):
            case = bench.hear(
                bench.base("another rate", f"{true} as {stated}, {excitation}", excitation)
            )
            if true != case.rate:
                case.microphone = make.stretched(case.microphone, true / case.rate)
            case.header_rate, case.accept = stated, ("wrong_sample_rate",)
            yield case
    for factor in (1.04, 0.95, 1.1):
        for excitation in ("own", "reference"):
            case = bench.hear(bench.base("another speed", f"{factor}, {excitation}", excitation))
            case.microphone = make.stretched(case.microphone, factor)
            case.accept = ("wrong_sample_rate", "wrong_sweep")
            yield case
    for below in (8.0, 0.0, -6.0):
        for excitation in ("own", "described", "reference"):
            case = bench.base("noise", f"{below} dB, {excitation}", excitation)
            bench.hear(case, noise_db=below, colour="brown")
            case.accept = ("low_snr", "sweep_not_found")
            yield case
    for excitation in ("own", "described", "reference"):
        case = bench.base("two sweeps, one described", excitation, excitation)
        once = case.played[round(case.sweep_at * case.rate) :]
        case.played = np.concatenate((case.played, once))
        bench.hear(case)
        case.accept = ("sweeps_missing", "")
        yield case
    for ends in (1, 2):
        case = bench.base("a sweep is missing", f"{3 - ends} of 3", repeats=3, length=4, tail=2)
        bench.hear(case)
        case.microphone = case.microphone[
            : round((case.at(0) + (3 - ends) * 6.0 - 0.2) * case.rate)
        ]
        case.accept, case.companions = ("sweeps_missing",), ("noise_unknown",)
        yield case
    for ppm in (60.0, -120.0, 190.0):
        case = bench.hear(bench.base("clock drift", f"{ppm} ppm"))
        case.microphone = make.stretched(case.microphone, 1.0 + 1e-6 * ppm)
        case.accept = ("clock_drift", "")
        yield case


def clean(bench: Bench, count: int):
    """Yield clean recordings: levels, rates, formats, rooms, noise, lengths, foreign sweeps."""
    rng = bench.rng
    for index in range(count):
        rate = int(rng.choice([44100, 48000, 48000, 96000]))
        excitation = ("own", "own", "own", "described", "reference", "reference", "linear")[
            index % 7
        ]
        subwoofer = bool(rng.random() < 0.7)
        if excitation == "own":
            repeats = int(rng.choice([1, 1, 1, 2, 3]))
            length = float(rng.choice([5, 7, 10])) if repeats == 1 else 5.0
            stop = 500.0 if subwoofer or rng.random() < 0.5 else 20000.0
            case = bench.base("own", rate=rate, length=length, repeats=repeats, stop=stop, tail=4)
            case.kind = f"own, {repeats} of {length:g} s"
        else:
            options = dict(
                rate=rate, length=float(rng.uniform(3.5, 10)), ahead=rng.uniform(0.6, 2.0)
            )
            options |= dict(stop=float(rng.choice([300.0, 500.0, 2000.0, 20000.0])))
            options |= dict(
                silence=float(rng.choice([0.0, 0.5, 3.0, 6.0])), behind=rng.uniform(2.0, 4.0)
            )
            options |= dict(lead=float(rng.choice([0.0, 1.0])))
            if excitation == "linear":
                options["stop"] = float(rng.choice([300.0, 500.0]))
            case = bench.base(excitation, "", excitation, **options)
        drive = make.bent(case.played, float(rng.choice([0.0, 0.01, 0.03])))
        decay = float(rng.uniform(0.2, 1.2))
        bench.hear(
            case, decay=decay, noise_db=rng.uniform(40, 60),
            colour=str(rng.choice(["white", "pink"])), before=rng.uniform(0.0, 2.0),
            after=rng.uniform(0.5, 2.0), peak=10 ** rng.uniform(-1.6, -0.1), drive=drive,
            subwoofer=subwoofer,
        )  # fmt: skip
        if rng.random() < 0.4:
            bench.with_loopback(case, gain=10 ** rng.uniform(-1.0, 0.0))
        case.subtype = str(rng.choice(["PCM_16", "PCM_24", "FLOAT"]))
        case.strength = (
            f"{rate} Hz, decay {decay:.2f} s, {case.subtype}, {'sub' if subwoofer else 'full'}"
            f"{'' if case.loopback is None else ', loopback'}"
        )
        yield case


def run(bench: Bench, options: argparse.Namespace) -> None:
    """Judge all and print."""
    silent_wrong, named, total, misses = [], Counter(), Counter(), defaultdict(list)
    begun = time.perf_counter()
    for case in faulty(bench) if not options.clean_only else ():
        if options.only and options.only not in case.kind:
            continue
        said, told, error, broke = bench.judge(case)
        codes = [code for code, *_ in told]
        total[case.kind] += 1
        right = any(code in case.accept for code in codes) or (not said and "" in case.accept)
        if codes:
            right &= codes[0] in (*case.accept, *case.companions)
        if case.remedy:
            right &= any(case.remedy in r for code, _, r, _ in told if code in case.accept)
        named[case.kind] += right
        if not said and not error <= 0.3:
            silent_wrong.append(f"{case.kind}, {case.strength}: {error:.2f} dB")
        if not right or options.verbose:
            misses[case.kind].append(
                f"{'ok ' if right else 'NOT'} {case.strength}: {error:.2f} dB, said {said}, "
                + "; ".join(f"{code} {severity} [{what}]" for code, severity, _, what in told)
                + broke
            )
    for kind, count in total.items():
        print(f"{kind:34}{named[kind]:3} of {count}")
        for text in misses[kind]:
            print(f"      {text}")
    if total:
        print(f"{'right cause':34}{sum(named.values()):3} of {sum(total.values())}")
        print(
            f"wrong by more than 0.3 dB in silence: {len(silent_wrong)}", *silent_wrong, sep="\n  "
        )
        print(f"{time.perf_counter() - begun:.0f} s")
    judged, alarms, errors, wrong = 0, Counter(), [], []
    for case in clean(bench, options.clean):
        said, told, error, broke = bench.judge(case)
        judged += 1
        errors.append(error)
        where = f"{case.kind}, {case.strength}: {error:.2f} dB, "
        if said:
            alarms["; ".join(code for code, *_ in told) or broke] += 1
            print("  alarm:", where + "; ".join(f"{c} {s} [{w}]" for c, s, _, w in told) + broke)
        elif not error <= 0.3:
            wrong.append(where)
    if judged:
        print(f"clean: {judged}, false alarms {sum(alarms.values())} {dict(alarms)}")
        known = np.array([error for error in errors if np.isfinite(error)])
        print(
            f"error of the clean, dB: median {np.median(known):.3f}, "
            f"95 % {np.quantile(known, 0.95):.3f}"
        )
        print(f"wrong by more than 0.3 dB in silence: {len(wrong)}", *wrong, sep="\n  ")
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--clean", type=int, default=300)
    parser.add_argument("--clean-only", action="store_true")
    parser.add_argument("--only", default="")
    parser.add_argument("--verbose", action="store_true")
    with tempfile.TemporaryDirectory() as folder:
        run(Bench(Path(folder), parser.parse_args().seed), parser.parse_args())
