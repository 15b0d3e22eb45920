"""What the name of a measurement file says plainly: the seat, what played, repeats.

Conventions
-----------
Only whole words count, whatever their case; words that could as well belong to a seat ("main",
"front", "near window") say nothing. What is not plain stays a part of the seat's name.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import PurePath

from roomeq.base.survey import Source

_SOURCES: dict[str, Source] = {
    **dict.fromkeys(("sub", "subs", "subwoofer", "subwoofers"), "sub"),
    "mains": "mains",
    **dict.fromkeys(("both", "together", "sum"), "both"),
    "difference": "difference",
}
_FILLING = {"only", "alone", "and", "with", "sweep", "response", "measurement"}
_AT_THE_CONE = {"nearfield", "cone", "nearcone"}
_MICROPHONE = {"microphone", "mic", "mikrofon", "micro"}
_OF_A_MICROPHONE = {"response", "correction", "calibration", "cal", "file", "degrees"}
_PLAYED = {"sweep", "played", "reference", "excitation", "stimulus"}
_CALIBRATOR = {"calibrator", "pistonphone", "94db", "114db"}
_NO_SEAT = {
    "target": "a wanted response? It goes into [target] as file",
    "noise": "noise alone is no measurement of a seat",
    **dict.fromkeys(("average", "mean"), "an average is no measurement of one seat"),
}
_NUMBERED = re.compile(r"sub(?:woofer)?\d+", re.IGNORECASE)
_REPEAT = re.compile(r"(?<=\S) (again|(?:repeat|repeated|rep|take|run) ?\d*)$", re.IGNORECASE)
_STATES = ("before", "after")
_COPY = re.compile(r"(.+) \(\d+\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class FileName:
    """What a name says.

    Attributes
    ----------
    role : {"seat", "microphone", "close", "played", "calibrator"}
        What the file is for.
    seat : str
        Empty where the name tells none.
    source : str or None
        As in a room file; None where no word tells it plainly.
    told_by : str
        The words that told source and repeat.
    repeat : bool
        Whether it is one of several of its seat.
    state : {"", "before", "after"}
        Whether it was measured before or after a change.
    copy : str
        The seat of which it may be a repeat, by a number in brackets as file managers append it.
    kind : {"response", "correction"} or None
        Of a microphone file.
    doubt : str
        Why the file had better be left out.
    subwoofer : str
        Which of several it is of, as numbered in the name; empty where none is.
    """

    role: str
    seat: str
    source: Source | None = None
    told_by: str = ""
    repeat: bool = False
    state: str = ""
    copy: str = ""
    kind: str | None = None
    doubt: str = ""
    subwoofer: str = ""


def source_in_words(words: list[str]) -> Source | None:
    """Return what played, by words in small letters; None where they do not tell it plainly."""
    found = {_SOURCES[word] for word in words if word in _SOURCES}
    if {"off", "without", "no", "not"} & set(words):
        return None
    if found == {"sub", "mains"}:
        return "both"
    return found.pop() if len(found) == 1 else None


def read_name(path: PurePath) -> FileName:
    """Return what the name of a file says, folders below the room's included."""
    whole = " ".join(path.with_suffix("").parts)
    words = [word for word in re.split(r"[\s_\-.,+&]+", whole) if word]
    small = [word.lower() for word in words]
    said = set(small)
    source = source_in_words(small)
    others = said - _MICROPHONE - _OF_A_MICROPHONE
    if said & _MICROPHONE and all(any(map(str.isdigit, word)) for word in others):
        kinds = [word for word in ("response", "correction") if word in said]
        return FileName(role="microphone", seat="", kind=kinds[0] if len(kinds) == 1 else None)
    if said & _CALIBRATOR:
        return FileName(role="calibrator", seat="")
    if said <= _PLAYED:
        return FileName(role="played", seat="")
    rest = said - set(_SOURCES) - _FILLING
    if source in (None, "sub") and (
        rest & _AT_THE_CONE or rest in ({"close"}, {"near"}, {"near", "field"})
    ):
        return FileName(role="close", seat="")
    doubts = [_NO_SEAT[word] for word in small if word in _NO_SEAT]
    if source is None and said & set(_SOURCES):
        doubts.append("its name does not tell plainly what played: say source")
    numbered = [word for word in small if _NUMBERED.fullmatch(word)]
    if len(numbered) == 1 and source in (None, "sub"):
        words = [word for word in words if word.lower() != numbered[0]]
        return replace(_of_a_seat(words, "sub", doubts), subwoofer=numbered[0])
    if numbered:
        doubts.append("which of several subwoofers played? Each is measured alone")
    return _of_a_seat(words, source, doubts)


def _of_a_seat(words: list[str], source: Source | None, doubts: list[str]) -> FileName:
    states = [word.lower() for word in words if word.lower() in _STATES]
    telling = set(_STATES) | (set(_SOURCES) | _FILLING if source is not None else set())
    seat = " ".join(word for word in words if word.lower() not in telling)
    told = [word for word in words if source is not None and word.lower() in _SOURCES]
    told += states
    repeat, copy = _REPEAT.search(seat), _COPY.fullmatch(seat)
    if repeat is not None:
        seat = seat[: repeat.start()]
        told.append(repeat[1])
    return FileName(
        role="seat",
        seat=seat,
        source=source,
        told_by=", ".join(map(repr, told)),
        repeat=repeat is not None,
        state=states[0] if len(set(states)) == 1 else "",
        copy=copy[1] if copy else "",
        doubt="; ".join(doubts),
    )
