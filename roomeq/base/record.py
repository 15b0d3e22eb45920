"""Records: figures under names, as they are kept in files and printed.

Conventions
-----------
Frozen; keys that are not known are refused when a file is read. What is not known is None.
"""

from __future__ import annotations

from typing import Self

import msgspec


def json_text(value: object) -> bytes:
    """Return a value as the text of a JSON file."""
    return msgspec.json.format(msgspec.json.encode(value), indent=1) + b"\n"


class Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A part of what is kept: frozen, unknown keys refused."""

    @classmethod
    def copied(cls, source: object, /, **others: object) -> Self:
        """Return the record that takes from a value what has the same name there.

        Parameters
        ----------
        source : object
        **others : object
            What is not there under that name, or in another form.

        Raises
        ------
        AttributeError
            If neither has a field.
        """
        names = [name for name in cls.__struct_fields__ if name not in others]
        return cls(**{name: getattr(source, name) for name in names}, **others)

    def to_json(self) -> bytes:
        """Return the record as JSON text, as it is kept in its file."""
        return json_text(self)
