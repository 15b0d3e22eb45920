r"""Bytes to text: encodings, line ends and look-alike characters of text exports.

Conventions
-----------
The text that comes back has ``\n`` line ends, so that line numbers are those an editor shows, and
plain minus signs, blanks and bars. A byte-order mark decides; without one the bytes do: UTF-16 by
where its zero bytes stand, UTF-8 because other text hardly ever happens to be valid UTF-8, else
the Windows or DOS code page under which most words of the headings are known.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from os import PathLike

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.base.files import file_bytes
from roomeq.importers.text.words import heading_of

_LARGEST_BYTES = 16 * 2**20
"""Read within 10 s on a slow processor; a response of 100 000 rows and four columns has 4 MiB."""
_LONGEST_LINE = 20000
_MARKS = {  # the longer before what it begins with
    "utf-8-sig": (codecs.BOM_UTF8,),
    "utf-32": (codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE),
    "utf-16": (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE),
}
_NO_TEXTS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"RIFF", b"%PDF", b"\x1f\x8b", b"\x89PNG")
_CODE_PAGES = ("cp1252", "cp1250", "cp850", "cp852", "latin-1")
_CONTROLS = bytes(c for c in range(32) if c not in b"\t\n\r\x0b\x0c\x1a\x1b")
_LOOK_ALIKES = str.maketrans("\uff0b\uff0c\uff0e\uff1b\uff08\uff09", "+,.;()") | {
    ord(character): plain
    for plain, characters in {
        "-": "\u2212\u2010\u2011\u2012\u2013\u2014\u2015\ufe63\uff0d\u00ad",
        " ": "\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a"
        "\u202f\u205f\u3000\u0085\u2028\u2029",
        "": "\u200b\u200c\u200d\u200e\u200f\u2060\ufeff\u202a\u202c\u202d",
        "'": "\u2018\u2019\u02bc\u00b4",
        '"': "\u201c\u201d\u201e\u00ab\u00bb",
        "|": "\u2502\u2503\u2551\u00a6\uff5c",
    }.items()
    for character in characters
}
_NO_TABLE = re.compile(r"\s*(?:(<)|\{|\[\s*[\[{])")
_BETWEEN_CELLS = re.compile(r"[\t;,|]|\s{2,}")
_BLANKS = "\u00a0\u2007\u2008\u2009\u202f"
_GROUPED_BY_BLANK = re.compile(rf"(?<![\d.,])\d{{1,3}}(?:[{_BLANKS}]\d{{3}})+(?!\d)")
_BEHIND = re.compile(r"(?<=\d)[ \t]+#.*$", re.MULTILINE)  # a remark behind a row
_POWER = re.compile(r"(?<=\d) ?[x×*] ?10\^(?=[+-]?\d)")
_BETWEEN_DIGITS = re.compile(rf"[{_BLANKS}]")


@contextmanager
def asked_in(place: str) -> Iterator[None]:
    """Add to what a reader asks for where that is to be said."""
    try:
        yield
    except AmbiguousTableError as error:
        raise error.but(remedy=f"{error.remedy}; {place}") from None


@contextmanager
def faults_of(path: str | PathLike[str]) -> Iterator[None]:
    """Add the file to faults found in its text."""
    try:
        yield
    except MeasurementFileError as error:
        raise error.but(path=error.path or path) from None


def read_decoded_text(
    path: str | PathLike[str], *, encoding: str | None = None
) -> tuple[str, tuple[str, ...]]:
    r"""Read a file as text.

    Parameters
    ----------
    path : path-like
        The file.
    encoding : str, optional
        A codec's name; found out by default.

    Returns
    -------
    str
        The text, with ``\n`` line ends and plain characters.
    tuple of str
        What was assumed.

    Raises
    ------
    MeasurementFileError
        If the file is empty, no text, too large, or not valid in the encoding given.
    ValueError
        If there is no such encoding.
    OSError
        If the file cannot be opened.
    """
    with faults_of(path):
        raw = file_bytes(
            path,
            largest=_LARGEST_BYTES,
            error=MeasurementFileError,
            remedy="export fewer points, or a shorter frequency range",
        )
        notes: tuple[str, ...] = ()
        if len(raw) < 4096 and not raw.strip(b"\x00 \t\r\n\x1a\xef\xbb\xbf\xff\xfe"):
            raise MeasurementFileError("is empty", remedy="export the measurement again")
        if encoding is None:
            encoding, notes = _likeliest_encoding(raw)
            if encoding.startswith("utf-16-"):
                raw = raw[: len(raw) // 2 * 2]
        text = _plain(_decoded(raw, encoding))
        _refuse_what_is_no_table(text)
        return text, notes


def _refuse_what_is_no_table(text: str) -> None:
    """Refuse JSON, markup, and lines that no row of a table has."""
    if found := _NO_TABLE.match(text):
        kind = "markup (HTML or XML)" if found[1] else "JSON"
        raise _no_text(f"holds {kind}, not a table of text")
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > _LONGEST_LINE:
            raise MeasurementFileError(
                f"has {len(line)} characters; rows of up to {_LONGEST_LINE} are read",
                line=number,
                remedy="export a row for each frequency",
            )


def _decoded(raw: bytes, encoding: str) -> str:
    try:
        return raw.decode(encoding).removeprefix("\ufeff")
    except LookupError as error:
        raise ValueError(f"encoding must name a codec, got {encoding!r}") from error
    except UnicodeError as error:
        start = getattr(error, "start", 0)
        raise MeasurementFileError(
            f"byte {raw[start : start + 1].hex()} is not valid in {encoding}",
            line=raw[:start].count(b"\n") + 1,
            remedy="leave encoding out, or give the one the instrument writes",
        ) from error


def _likeliest_encoding(raw: bytes) -> tuple[str, tuple[str, ...]]:
    """Return the encoding that the bytes show, and notes."""
    for codec, marks in _MARKS.items():
        if raw.startswith(marks):
            return codec, ()
    if raw.startswith(_NO_TEXTS):
        raise _no_text("is a workbook, archive, WAV recording, PDF document or picture, not text")
    if b"\x00" in raw[:4096]:
        for order, place in (("utf-16-le", 0), ("utf-16-be", 1)):  # of the low byte
            low, high = raw[place:65536:2], raw[1 - place : 65536 : 2]
            if high.count(0) > 0.7 * len(high) and low.count(0) < 0.02 * len(low):
                return order, (f"read as {order}, which has no byte-order mark here",)
        raise _no_text("holds zero bytes: it is not text")
    start = raw[:65536]
    strange = len(start) - len(start.translate(None, _CONTROLS))
    if strange > 0.01 * len(start):
        raise _no_text(f"holds {strange} control bytes near its start: it is not text")
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        codec = _likeliest_code_page(raw)
        return codec, (f"read as {codec}: it is not UTF-8",)
    return "utf-8", ()


def _no_text(message: str) -> MeasurementFileError:
    return MeasurementFileError(message, remedy="export frequency and level as columns of text")


def _likeliest_code_page(raw: bytes) -> str:
    """Return the code page under which most heading words with accents are known."""
    lines = [line for line in raw[:16384].splitlines() if not line.isascii()][:20]
    known: dict[str, int] = {}
    for codec in _CODE_PAGES:
        with suppress(UnicodeDecodeError):
            raw.decode(codec)
            cells = (c for line in lines for c in _BETWEEN_CELLS.split(line.decode(codec)))
            found = [heading_of(cell) for cell in cells if not cell.isascii()]
            known[codec] = sum(one.by_word + (one.unit is not None) for one in found)
    return max(known, key=lambda codec: known[codec])


def _plain(text: str) -> str:
    text = _BEHIND.sub("", text) if "#" in text else text
    text = _POWER.sub("e", text) if "10^" in text else text
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    text = text.rstrip("\x1a\x00")
    if text.isascii():
        return text
    if any(blank in text for blank in _BLANKS):
        text = _GROUPED_BY_BLANK.sub(lambda m: _BETWEEN_DIGITS.sub("'", m[0]), text)
    return text.translate(_LOOK_ALIKES)
