"""Command line: arguments, calls, exit status; only this folder prints.

Conventions
-----------
Exit status 0: done, nothing to worry about. 1: done, and something was found that wants a look: a
doubtful measurement, a reservation about the proposal, or no change worth proposing. 2: could not.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, redirect_stdout
from io import TextIOWrapper
from typing import TYPE_CHECKING, TextIO, cast

from roomeq.base.errors import RoomeqError
from roomeq.cli.arguments import command_parser

if TYPE_CHECKING:
    import argparse


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        Those of the process by default.
    """
    words = _spelled_out(sys.argv[1:] if arguments is None else arguments)
    for stream in (sys.stdout, sys.stderr):  # a name that the output cannot encode is not a failure
        if isinstance(stream, TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="backslashreplace")
    try:
        try:
            return _run([word for word in words if word != "--debug"])
        finally:
            if sys.stdout is not None:
                sys.stdout.flush()
    except BrokenPipeError:  # whoever read the output has seen enough: nothing more is written
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        said, status = "stopped", 130
    except Exception as error:
        if "--debug" in words:
            raise
        said, status = _refusal(error), 2
    from roomeq.cli.saying import say

    say([said])
    return status


def _spelled_out(arguments: Sequence[str]) -> list[str]:
    """Return the arguments with ``--low-pass none`` as the three words that a low-pass takes."""
    spelled: list[str] = []
    for word in arguments:
        of_low_pass = bool(spelled) and spelled[-1] == "--low-pass" and word == "none"
        spelled += ["none", "0", "0"] if of_low_pass else [word]
    return spelled


def _run(words: Sequence[str]) -> int:
    """Run one command."""
    parser = command_parser()
    options = parser.parse_args(words)
    if options.version:
        from importlib.metadata import version

        print(f"roomeq {version('roomeq')}")
        return 0
    if options.command is None:
        parser.print_help()
        return 2
    # many small matrix products: threads of the linear algebra library only get in each other's way
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("MPLBACKEND", "agg")  # pictures go to files, no screen is needed
    from roomeq.cli.commands import run
    from roomeq.report.text.layout import page
    from roomeq.report.text.terminal import columns_of

    with _for_people(options), page(columns_of(sys.stdout)):
        return run(options)


@contextmanager
def _for_people(options: argparse.Namespace) -> Iterator[None]:
    """Print with control characters written out; JSON has its own way to write them."""
    if sys.stdout is None or getattr(options, "json", False):
        yield
        return
    with redirect_stdout(cast("TextIO", _Printed(sys.stdout))):
        yield


class _Printed:
    """A stream for what people read."""

    def __init__(self, stream: TextIO) -> None:
        from roomeq.base.printable import printable

        self._stream, self._shown = stream, printable

    def write(self, text: str) -> int:
        return self._stream.write(self._shown(text))

    def __getattr__(self, name: str) -> object:
        return getattr(self._stream, name)


def _refusal(error: Exception) -> str:
    """Say in one line why nothing was done."""
    if isinstance(error, RoomeqError | ValueError):
        return str(error)
    if isinstance(error, OSError):
        said = error.strerror or str(error)
        return f"{error.filename}: {said}" if error.filename else said
    kind = "out of memory" if isinstance(error, MemoryError) else type(error).__name__
    return f"this should not happen: {kind}: {error} (with --debug it is shown where)"
