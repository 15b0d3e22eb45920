"""Write files so that they are complete or not there at all.

Conventions
-----------
What is written goes to a temporary neighbour first, which then takes the place of the file.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["replacing"]


@contextmanager
def replacing(target: Path) -> Iterator[Path]:
    """Give a temporary neighbour that takes the place of a file if all goes well.

    Parameters
    ----------
    target : Path
        The file to be written; it is left as it is if anything fails.

    Raises
    ------
    OSError
        If the folder does not exist or cannot be written to; it names `target`, not the neighbour.
    """
    temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        yield temporary
        temporary.replace(target)
    except OSError as error:
        raise OSError(error.errno, error.strerror or str(error), str(target)) from error
    finally:
        temporary.unlink(missing_ok=True)
