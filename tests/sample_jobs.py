"""What commands compute of the sample rooms, once in a process for all tests that look at it."""

from collections.abc import Callable
from functools import cache
from os import PathLike
from pathlib import Path
from typing import Any

import pytest
from places import SAMPLES

from roomeq.cli import commands
from roomeq.importers.room import read_room
from roomeq.room.room import Room


def once(job: Callable[..., Any]) -> Callable[..., Any]:
    """Return a job that does the same work once; what is given as nothing is as if left out."""
    kept = cache(job)
    return lambda *given, **named: kept(*given, **{k: v for k, v in named.items() if v})


_read = once(read_room)


def _read_once(path: str | PathLike[str], **named: Any) -> Room:
    """Read a sample room once, and any other each time: a test may have written to it."""
    place = Path(path).resolve()
    return _read(place, **named) if place.is_relative_to(SAMPLES) else read_room(path, **named)


_NAMES = ("join", "estimated_path", "room_overview", "propose")
JOBS = {name: once(getattr(commands, name)) for name in _NAMES} | {"read_room": _read_once}


def sample_room(name: str) -> Room:
    """Return a sample room as commands read it."""
    return _read_once(SAMPLES / name)


def put_jobs(patch: pytest.MonkeyPatch) -> None:
    """Let commands find what is computed already."""
    for name, job in JOBS.items():
        patch.setattr(commands, name, job)


@pytest.fixture
def computed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    put_jobs(monkeypatch)
