"""Encodings, line ends and look-alike characters."""

import codecs
from pathlib import Path

import pytest

from roomeq.base.errors import MeasurementFileError
from roomeq.importers.text.decoding import read_decoded_text

TEXT = "Fréquence (Hz);Niveau (dB);Phase (°)\n20;70;-3\n25;71;-5\n"


def read(tmp_path: Path, raw: bytes, **arguments: str) -> tuple[str, str]:
    path = tmp_path / "export.txt"
    path.write_bytes(raw)
    text, notes = read_decoded_text(path, **arguments)
    return text, " | ".join(notes)


@pytest.mark.parametrize(
    ("raw", "encoding"),  # the one that a note names; without a note there was no doubt
    [
        (TEXT.encode("utf-8"), ""),
        (codecs.BOM_UTF8 + TEXT.encode("utf-8"), ""),
        (codecs.BOM_UTF16_LE + TEXT.encode("utf-16-le"), ""),
        (codecs.BOM_UTF16_BE + TEXT.encode("utf-16-be"), ""),
        (codecs.BOM_UTF32_LE + TEXT.encode("utf-32-le"), ""),
        (TEXT.encode("utf-16-le"), "utf-16-le"),
        (TEXT.encode("utf-16-be"), "utf-16-be"),
        (TEXT.encode("utf-16-le") + b"\x1a", "utf-16-le"),  # half a character, cut off
        (TEXT.encode("latin-1"), "cp1252"),
        (TEXT.encode("cp850"), "cp850"),
        (TEXT.replace("Fréquence", "Częstotliwość").encode("cp1250"), "cp1250"),
    ],
)
def test_encodings_are_found_out(tmp_path: Path, raw: bytes, encoding: str) -> None:
    expected = TEXT.replace("Fréquence", "Częstotliwość") if encoding == "cp1250" else TEXT
    text, note = read(tmp_path, raw)
    assert text == expected
    assert bool(note) == bool(encoding)
    assert note.startswith(f"read as {encoding}" if encoding else "")


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_line_ends(tmp_path: Path, newline: str) -> None:
    assert read(tmp_path, TEXT.replace("\n", newline).encode())[0] == TEXT


def test_look_alikes_become_plain(tmp_path: Path) -> None:
    text = "\u221220\u00a0dB \u2013 3 \u2502 1\u202f234,5 \u201cx\u201d 10\u2019000 2\u200b0 \uff0c"
    assert read(tmp_path, text.encode())[0] == "-20 dB - 3 | 1'234,5 \"x\" 10'000 20 ,"


def test_a_large_file_is_read_as_a_small_one(tmp_path: Path) -> None:
    rows = "".join(f"{i};{i / 7:.3f}\r\n" for i in range(100_000))
    assert read(tmp_path, rows.encode()) == (rows.replace("\r\n", "\n"), "")
    head = "Fréquence;Niveau\r\n"
    assert read(tmp_path, (head + rows).encode("cp1252"))[0].startswith("Fréquence;Niveau\n0;")
    with pytest.raises(MeasurementFileError, match="not text"):
        read(tmp_path, b"\x00\x01\x02" * 700_000)


def test_what_is_told_is_taken(tmp_path: Path) -> None:
    assert read(tmp_path, "Nivå".encode("cp1252"), encoding="cp1252") == ("Nivå", "")
    with pytest.raises(MeasurementFileError, match="not valid in utf-8") as caught:
        read(tmp_path, "20;70\nNivå\n".encode("cp1252"), encoding="utf-8")
    assert caught.value.line == 2
    with pytest.raises(ValueError, match="encoding"):
        read(tmp_path, b"20;70", encoding="no such codec")


def test_a_file_too_large_for_a_response_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "export.txt"
    with path.open("wb") as file:
        file.truncate(200 * 2**20)  # takes no room
    with pytest.raises(
        MeasurementFileError, match="200 MiB large; up to 16 MiB are read"
    ) as caught:
        read_decoded_text(path)
    assert caught.value.path == str(path)
    assert caught.value.remedy
