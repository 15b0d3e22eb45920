"""Files with bytes changed at random, and what reads them; nothing but our own errors may come out.

Each file is small, so that a change reaches what is parsed; changes are those that break parsers:
bits flipped, pieces taken out, doubled, exchanged, absurd numbers and words of the format put in.
"""

import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import soundfile
from places import ROOT, SAMPLES, SAVED_PLANS

from roomeq.base.errors import RoomeqError
from roomeq.importers.device_profile import read_device
from roomeq.importers.room_file.reading import read_room_file
from roomeq.importers.sweep_files import read_recording, read_sweep_description
from roomeq.importers.text.band_table import read_band_table
from roomeq.importers.text.export import read_text_export
from roomeq.plan.plan import read_plan

PROFILE = ROOT / "roomeq" / "device" / "profiles" / "nine_band.toml"
WORDS = [
    *(b"-", b"+", b"0", b"9" * 30, b"1e400", b"-1e308", b"nan", b"inf", b"0x1F", b"1_0", b"1.2.3"),
    *(b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\xff\xff\xff\xff", b"\x80", b"\r", b"\n\n", b"\t"),
    *(b";", b",", b'"', b"'", b'"""', b"[", b"]", b"[[", b"]]", b"{", b"}", b"=", b".", b"#", b"*"),
    *(b"Hz", b"kHz", b"dB", b"deg", b"Pa", b"null", b"true", b"none", b"\xd9\xa7", b"\xe2\x80\xae"),
]


def _text(folder: Path) -> bytes:
    rows = (f"{10 + 2 * n};{70 + n % 7}.{n % 10};{(40 * n) % 360 - 180}" for n in range(60))
    return "\n".join(
        ["Seat 1", "", "Frequency (Hz);Level (dB SPL);Phase (deg)", *rows, ""]
    ).encode()


def _levels(folder: Path) -> bytes:
    return b"Hz;sofa;chair\n" + b"".join(
        b"%s;7%d,5;6%d\n" % (band, n, n)
        for n, band in enumerate(
            [b"20", b"25", b"31,5", b"40", b"50", b"63", b"80", b"100", b"125"]
        )
    )


def _room(folder: Path) -> bytes:
    for path in (SAMPLES / "ferry_office").iterdir():
        (folder / path.name).touch()  # the files that it names are there; they are not read
    return (SAMPLES / "ferry_office" / "room.toml").read_bytes()


def _sound(folder: Path, **others: str) -> bytes:
    path = folder / "seed.sound"
    soundfile.write(path, 0.5 * np.sin(np.arange(400.0)), 8000, **others)
    return path.read_bytes()


SEEDS: dict[str, tuple[Callable[[Path], bytes], Callable[[Path], object], str]] = {
    "text": (_text, read_text_export, ".txt"),
    "levels": (_levels, read_band_table, ".csv"),
    "room file": (_room, read_room_file, ".toml"),
    "profile": (lambda _: PROFILE.read_bytes(), read_device, ".toml"),
    "plan": (lambda _: sorted(SAVED_PLANS.glob("*.json"))[0].read_bytes(), read_plan, ".json"),
    "sweep": (
        lambda _: (SAMPLES / "village_library" / "sweep.json").read_bytes(),
        read_sweep_description,
        ".json",
    ),
    "wav": (lambda f: _sound(f, format="WAV", subtype="PCM_24"), read_recording, ".wav"),
    "float wav": (lambda f: _sound(f, format="WAV", subtype="FLOAT"), read_recording, ".wav"),
    "flac": (lambda f: _sound(f, format="FLAC", subtype="PCM_16"), read_recording, ".flac"),
}  # fmt: skip


def mutated(content: bytes, draw: np.random.Generator) -> bytes:
    """Return a file with one to eight changes."""
    data = bytearray(content)
    for _ in range(int(draw.integers(1, 9))):
        place = int(draw.integers(0, len(data) + 1))
        length = int(draw.integers(1, 2 + min(len(data), 64)))
        kind = int(draw.integers(0, 6))
        if kind == 0 and data:
            data[place % len(data)] ^= 1 << int(draw.integers(0, 8))
        elif kind == 1:
            del data[place : place + length]
        elif kind == 2:
            data[place:place] = data[place : place + length]
        elif kind == 3:
            data[place:place] = WORDS[int(draw.integers(0, len(WORDS)))]
        elif kind == 4:
            other = int(draw.integers(0, len(data) + 1))
            data[place : place + length] = data[other : other + length]
        else:
            data[place : place + length] = draw.bytes(length)
    return bytes(data)


def failures(
    name: str, *, runs: int, seed: int, folder: Path
) -> Iterator[tuple[bytes, BaseException]]:
    """Yield the files at which anything but one of our own errors came out."""
    make, read, suffix = SEEDS[name]
    content, path = make(folder), folder / f"mutated{suffix}"
    read_first = folder / f"seed{suffix}"
    read_first.write_bytes(content)
    read(read_first)  # unchanged it is read
    draw = np.random.default_rng(seed)
    for _ in range(runs):
        data = mutated(content, draw)
        path.unlink(missing_ok=True)  # to write over a file makes some systems wait for the disk
        path.write_bytes(data)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                read(path)
            except RoomeqError:
                pass
            except Exception as error:  # what is being looked for
                yield data, error
