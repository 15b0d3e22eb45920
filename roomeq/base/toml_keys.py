"""The keys that a TOML file may hold, told from the tables that validate it.

Conventions
-----------
Kinds, spans and defaults are those of the fields. What a table means stands in its docstring after
its header, what a key means under ``Attributes``, in the form ``name : example``; what holds
without it follows after "; without it". Examples and defaults are text as it is written in a file.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Literal, get_args, get_origin

import msgspec

from roomeq.base.toml_tables import plausible_span, table_in

_PLAIN = {int: "a whole number", float: "a number", str: "text"}
_KINDS = {**_PLAIN, bool: "true or false", tuple: "a list", dict: "a table { ... }"}
_ENTRY = re.compile(r"^(\w+)(?: : (.*))?\n((?: {4}.+\n?)+)", re.MULTILINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyRow:
    """One key.

    Attributes
    ----------
    name : str
    meaning, unit : str
    accepted : str
        Words or kind of value, or from where to where it may lie.
    default : str
        What holds where the key is absent; empty if then nothing is known, or it is required.
    example : str
    required : bool
    """

    name: str
    meaning: str
    unit: str
    accepted: str
    default: str
    example: str
    required: bool

    @property
    def explained(self) -> str:
        """What it means, what is accepted and what holds otherwise, in one line."""
        accepted = "" if self.accepted in _PLAIN.values() else f"{self.accepted} {self.unit}"
        last = "required" if self.required else f"default {self.default}" if self.default else ""
        return "; ".join(filter(None, (self.meaning, accepted.strip(), last)))


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyTable:
    """One table of a file.

    Attributes
    ----------
    name : str
        Such as ``amplifier.ratings``; empty for the top of the file.
    header : str
        Such as ``[[amplifier.ratings]]``.
    meaning : str
    keys : tuple of KeyRow
    """

    name: str
    header: str
    meaning: str
    keys: tuple[KeyRow, ...]


def key_tables(kind: type[msgspec.Struct], name: str = "", *, header: str = "") -> list[KeyTable]:
    """Return a table and the tables within it, each once, in the order of the file.

    Parameters
    ----------
    kind : type
        The structure that validates the table.
    name, header : str
        Of the table; empty for a whole file.
    """
    docs = "".join(map(_doc, kind.__mro__[::-1]))
    told = {key: (example, said) for key, example, said in _ENTRY.findall(docs)}
    fields, own = msgspec.structs.fields(kind), kind.__annotations__
    ordered = sorted(fields, key=lambda entry: (not entry.required, entry.name not in own))
    keys = (entry for entry in ordered if entry.name in told or not table_in(entry.type))
    rows = tuple(_key_row(entry, *told.get(entry.name, ("", ""))) for entry in keys)
    meaning = _line(_doc(kind).split("\n\n")[0].rpartition("``: ")[2])
    found = [KeyTable(name=name, header=header, meaning=meaning, keys=rows)]
    for entry in fields:
        inner = table_in(entry.type)
        if inner is not None:
            path = f"{name}.{entry.encode_name}".lstrip(".")
            several = any(get_origin(part) is tuple for part in _parts(entry.type))
            found += key_tables(inner, path, header=f"[[{path}]]" if several else f"[{path}]")
    return found


def toml_value(value: Any, *, quoted: bool = True) -> str:
    """Return a value as it is written in a file.

    Parameters
    ----------
    value : str, bool, int, float, or a dict or sequence of them
        What is None in a dict is left out.
    quoted : bool
        Whether the keys of a dict are in quotes, as they have to be unless they are plain words.
    """
    if isinstance(value, dict):
        named = {toml_value(key) if quoted else key: one for key, one in value.items()}
        pairs = (f"{k} = {toml_value(v, quoted=quoted)}" for k, v in named.items() if v is not None)
        return f"{{ {', '.join(pairs)} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml_value(one, quoted=quoted) for one in value)}]"
    return msgspec.json.encode(value).decode()


def _doc(kind: type) -> str:
    return f"{inspect.cleandoc(kind.__doc__ or '')}\n"


def _line(text: str) -> str:
    return " ".join(text.split()).removesuffix(".").replace("`", "")


def _key_row(entry: msgspec.structs.FieldInfo, example: str, said: str) -> KeyRow:
    meaning, _, default = _line(said).partition("; without it ")
    parts = list(_parts(entry.type))
    words = [word for part in parts for word in get_args(part) if get_origin(part) is Literal]
    if not default and entry.default not in (None, msgspec.NODEFAULT, (), ""):
        default = toml_value(entry.default)
    if not example:  # a value that is not the default, if there is another
        choices = words or ([True, False] if bool in parts else [entry.default])
        example = toml_value(next((one for one in choices if one != entry.default), choices[0]))
    span = plausible_span(entry.type)
    return KeyRow(
        name=entry.encode_name,
        meaning=meaning,
        unit=span.unit.removeprefix("as a ") if span else "",
        accepted=f"{span.lowest:g} to {span.highest:g}" if span else _accepted(entry.type, words),
        default=default,
        example=example,
        required=entry.required,
    )


def _accepted(annotation: Any, words: list[Any]) -> str:
    listed = [toml_value(word) for word in words]
    if not words and table_in(annotation) is None:
        kinds = [_KINDS.get(get_origin(part) or part) for part in _parts(annotation)]
        listed = list(dict.fromkeys(filter(None, kinds)))
    return " or ".join(filter(None, (", ".join(listed[:-1]), *listed[-1:])))


def _parts(annotation: Any) -> Iterator[Any]:
    """Yield the alternatives of an annotation, `Annotated` taken off."""
    if get_origin(annotation) is Annotated:
        yield from _parts(get_args(annotation)[0])
    elif get_origin(annotation) in (tuple, dict, Literal) or not get_args(annotation):
        yield annotation
    else:
        for part in get_args(annotation):
            yield from _parts(part)
