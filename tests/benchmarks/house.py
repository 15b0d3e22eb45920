"""The house in figures: lines of code by folder, modules a proposal enters, responses built.

    python tests/benchmarks/house.py

Lines of code are those that hold a token other than comments and docstrings; lines of templates and
profiles count as they are, blank ones not. A module is entered if one of its functions is called.
"""

import ast
import contextlib
import io
import sys
import tokenize
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGE, ROOMS = ROOT / "roomeq", ROOT / "sample_measurements"
READERS = ("read_text_export",)
QUIET = {
    tokenize.COMMENT,
    tokenize.NL,
    tokenize.NEWLINE,
    tokenize.INDENT,
    tokenize.DEDENT,
    tokenize.ENCODING,
    tokenize.ENDMARKER,
}


def docstring_lines(tree: ast.AST) -> set[int]:
    """Return the lines of all docstrings."""
    found: set[int] = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        first = body[0] if isinstance(body, list) and body else None
        if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
            found |= set(range(first.lineno, (first.end_lineno or first.lineno) + 1))
    return found


def code_lines(path: Path) -> int:
    """Return how many lines of a file hold code."""
    text = path.read_text("utf-8")
    if path.suffix != ".py":
        return sum(bool(line.strip()) for line in text.splitlines())
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in QUIET:
            lines |= set(range(token.start[0], token.end[0] + 1))
    return len(lines - docstring_lines(ast.parse(text)))


@contextlib.contextmanager
def watched() -> Iterator[tuple[set[str], Counter[str]]]:
    """Watch the package: which modules are entered, how many responses are built, what is read."""
    from roomeq.base.response import FrequencyResponse

    entered: set[str] = set()
    counted: Counter[str] = Counter()

    def watch(frame, event, _):
        code = frame.f_code
        if event == "call" and code.co_filename.startswith(str(PACKAGE)):
            if code.co_name != "<module>":
                entered.add(code.co_filename)
            made = frame.f_locals.get("self")
            if code.co_name == "__post_init__" and isinstance(made, FrequencyResponse):
                counted["responses"] += 1
            counted["files"] += code.co_name in READERS

    sys.setprofile(watch)
    try:
        yield entered, counted
    finally:
        sys.setprofile(None)


def main() -> None:
    by_folder: Counter[str] = Counter()
    for path in sorted(PACKAGE.rglob("*")):
        if path.suffix in {".py", ".toml", ".jinja"}:
            folder = path.relative_to(PACKAGE).parts[0] if path.parent != PACKAGE else "(top)"
            by_folder[folder] += code_lines(path)
    for folder, count in sorted(by_folder.items(), key=lambda item: -item[1]):
        print(f"{folder:14s}{count:8d}")
    print(f"{'all':14s}{by_folder.total():8d}")
    top = [p for p in PACKAGE.iterdir() if p.suffix == ".py" or (p / "__init__.py").exists()]
    print(f"entries at the top: {len(top)}")
    import roomeq

    cabin = roomeq.read_room(ROOMS / "lakeside_cabin")
    with watched() as (modules, _):
        roomeq.propose(cabin)
    print(f"modules that a proposal for the cabin enters: {len(modules)}")
    with watched() as (_, counted):
        roomeq.propose(roomeq.read_room(ROOMS / "ferry_office"))
    built, read = counted["responses"], counted["files"]
    print(f"responses built to read and join the ferry office: {built}, {built / read:.1f} a file")


if __name__ == "__main__":
    main()
