"""Write files so that they are complete or not there at all, and nothing else is lost for them.

Conventions
-----------
What is written goes to a temporary neighbour first, which then takes the place of the file. A file
of the same kind gives way; a file of any other kind is left as it is, for it may be a measurement.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from roomeq.base.errors import FileFaultError

__all__ = ["refuse_other_kinds", "replacing"]


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


def refuse_other_kinds(
    target: Path,
    *,
    kind: str,
    is_of_kind: Callable[[Path], bool],
    error: type[FileFaultError],
) -> None:
    """Raise if writing a file would replace one of another kind.

    Parameters
    ----------
    target : Path
        The file to be written; nothing is said of a folder, which cannot be replaced anyway.
    kind : str
        What is to be written, such as "plan".
    is_of_kind : callable
        Tells of a file that exists whether it is one.
    error : type of FileFaultError
        What to raise.
    """
    if target.is_file() and not is_of_kind(target):
        raise error(
            f"exists and is not a {kind}: it is left as it is",
            path=target,
            remedy=f"give the {kind} another name, or remove that file first",
        )
