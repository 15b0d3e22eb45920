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
from contextlib import contextmanager
from dataclasses import dataclass
from os import PathLike

from roomeq.base.errors import AmbiguousTableError, MeasurementFileError
from roomeq.base.files import file_bytes
from roomeq.importers.text.words import heading_of

_LARGEST_BYTES = 16 * 2**20
"""Read within 10 s on a slow processor; a response of 100 000 rows and four columns has 4 MiB."""
_LONGEST_LINE = 20000
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_KINDS = (
    (b"PK\x03\x04", "a workbook or archive"),
    (b"\xd0\xcf\x11\xe0", "a workbook of an old office program"),
    (b"RIFF", "a WAV recording"),
    (b"%PDF", "a PDF document"),
    (b"\x1f\x8b", "a compressed file"),
    (b"\x89PNG", "a picture"),
)
_CODE_PAGES = ("cp1252", "cp1250", "cp850", "cp852", "latin-1")
_ASCII = bytes(range(128))
_CONTROLS = bytes(c for c in range(32) if c not in b"\t\n\r\x0b\x0c\x1a\x1b")
_LOOK_ALIKES = {
    character: plain
    for plain, characters in {
        "-": "\u2212\u2010\u2011\u2012\u2013\u2014\u2015\ufe63\uff0d\u00ad",
        " ": "\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f"
        "\u3000\u0085\u2028\u2029",
        "": "\u200b\u200c\u200d\u200e\u200f\u2060\ufeff\u202a\u202c\u202d",
        "'": "\u2018\u2019\u02bc\u00b4",
        '"': "\u201c\u201d\u201e\u00ab\u00bb",
        "|": "\u2502\u2503\u2551\u00a6\uff5c",
        **dict(zip("+,.;()", "\uff0b\uff0c\uff0e\uff1b\uff08\uff09", strict=True)),
    }.items()
    for character in characters
}
_BLANKS = "\u00a0\u2007\u2008\u2009\u202f"
_GROUPED_BY_BLANK = re.compile(rf"(?<![\d.,])\d{{1,3}}(?:[{_BLANKS}]\d{{3}})+(?!\d)")
_BEHIND = re.compile(r"(?<=\d)[ \t]+#.*$", re.MULTILINE)  # a remark behind a row
_POWER = re.compile(r"(?<=\d) ?[x×*] ?10\^(?=[+-]?\d)")
_BETWEEN_DIGITS = re.compile(rf"[{_BLANKS}]")


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodedText:
    r"""The text of one file.

    Attributes
    ----------
    text : str
        The text, with ``\n`` line ends and plain characters.
    encoding : str
        Name of the encoding it was read in.
    notes : tuple of str
        What was assumed.
    """

    text: str
    encoding: str
    notes: tuple[str, ...] = ()


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


def read_decoded_text(path: str | PathLike[str], *, encoding: str | None = None) -> DecodedText:
    """Read a file as text.

    Parameters
    ----------
    path : path-like
        The file.
    encoding : str, optional
        A codec's name; found out by default.

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
        return DecodedText(text=text, encoding=encoding, notes=notes)


def _refuse_what_is_no_table(text: str) -> None:
    """Refuse JSON, markup, and lines that no row of a table has."""
    start = text.lstrip()
    if start[:1] in ("{", "<") or (start[:1] == "[" and start[1:].lstrip()[:1] in ("[", "{")):
        kind = "markup (HTML or XML)" if start[0] == "<" else "JSON"
        raise _no_text(f"holds {kind}, not a table of text")
    if len(text) > _LONGEST_LINE:
        for number, line in enumerate(text.split("\n"), start=1):
            if len(line) > _LONGEST_LINE:
                raise MeasurementFileError(
                    f"has {len(line)} characters; rows of up to {_LONGEST_LINE} are read",
                    line=number,
                    remedy="export a row for each frequency",
                )


def _decoded(raw: bytes, encoding: str) -> str:
    try:
        codecs.lookup(encoding)
    except LookupError as error:
        raise ValueError(f"encoding must name a codec, got {encoding!r}") from error
    try:
        return raw.decode(encoding).removeprefix("\ufeff")
    except UnicodeError as error:
        start = getattr(error, "start", 0)
        raise MeasurementFileError(
            f"byte {raw[start : start + 1].hex()} is not valid in {encoding}",
            line=raw[:start].count(b"\n") + 1,
            remedy="leave encoding out, or give the one the instrument writes",
        ) from error


def _likeliest_encoding(raw: bytes) -> tuple[str, tuple[str, ...]]:
    """Return the encoding that the bytes show, and notes."""
    for mark, codec in _MARKS:
        if raw.startswith(mark):
            return codec, ()
    for magic, kind in _KINDS:
        if raw.startswith(magic):
            raise _no_text(f"is {kind}, not text")
    if b"\x00" in raw[:4096]:
        order = _utf16_order(raw)
        if order is None:
            raise _no_text("holds zero bytes: it is not text")
        return order, (f"read as {order}, which has no byte-order mark here",)
    start = raw[:65536]
    strange = len(start) - len(start.translate(None, _CONTROLS))
    if strange > 0.01 * len(start):
        raise _no_text(f"holds {strange} control bytes near its start: it is not text")
    if raw.isascii():
        return "ascii", ()
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        codec = _likeliest_code_page(raw)
        return codec, (f"read as {codec}: it is not UTF-8",)
    return "utf-8", ()


def _no_text(message: str) -> MeasurementFileError:
    return MeasurementFileError(message, remedy="export frequency and level as columns of text")


def _utf16_order(raw: bytes) -> str | None:
    """Return the byte order of UTF-16 without a mark; digits and blanks have a zero high byte."""
    start = raw[: min(len(raw), 65536) // 2 * 2]
    even, odd = start[0::2], start[1::2]
    zero_even, zero_odd = even.count(0) / len(even), odd.count(0) / len(odd)
    if zero_odd > 0.7 and zero_even < 0.02:
        return "utf-16-le"
    if zero_even > 0.7 and zero_odd < 0.02:
        return "utf-16-be"
    return None


def _likeliest_code_page(raw: bytes) -> str:
    """Return the code page under which most heading words with accents are known."""
    lines = [line for line in raw[:16384].splitlines() if not line.isascii()][:20]
    best, most = "", -1
    for codec in _CODE_PAGES:
        try:
            raw.decode(codec)
        except UnicodeDecodeError:
            continue
        known = 0
        for line in lines:
            for cell in re.split(r"[\t;,|]|\s{2,}", line.decode(codec)):
                if not cell.isascii():
                    heading = heading_of(cell)
                    known += heading.by_word + (heading.unit is not None)
        if known > most:
            best, most = codec, known
    return best


def _plain(text: str) -> str:
    text = _BEHIND.sub("", text) if "#" in text else text
    text = _POWER.sub("e", text) if "10^" in text else text
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if "\x1a" in text[-2:] or "\x00" in text[-2:]:
        text = text.rstrip("\x1a\x00")
    if text.isascii():
        return text
    present = set(text.encode("utf-8", "replace").translate(None, _ASCII).decode("utf-8"))
    if not present.isdisjoint(_BLANKS):
        text = _GROUPED_BY_BLANK.sub(lambda m: _BETWEEN_DIGITS.sub("'", m[0]), text)
    for character in present & _LOOK_ALIKES.keys():
        text = text.replace(character, _LOOK_ALIKES[character])
    return text
