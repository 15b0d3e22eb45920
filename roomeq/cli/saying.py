"""What is said beside the output, on standard error."""

from __future__ import annotations

import sys
from collections.abc import Iterable

from roomeq.base.printable import printable
from roomeq.report.text.terminal import message


def say(texts: Iterable[str]) -> None:
    """Print texts on standard error, each in lines that fit a terminal, else in one line."""
    for text in texts if sys.stderr is not None else ():  # closed: nobody wants to know
        print(message(printable(text), sys.stderr), file=sys.stderr)
