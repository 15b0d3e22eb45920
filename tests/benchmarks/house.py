"""The house in figures: lines of code by folder, modules a proposal enters, responses it builds.

    python tests/benchmarks/house.py

Lines of code are those that hold a token other than comments and docstrings; lines of templates and
profiles count as they are, blank ones not. A module is entered if one of its functions is called.
"""

import ast
import io
import sys
import tokenize
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "roomeq"
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


def entered() -> tuple[set[str], int]:
    """Return the modules that a proposal for the cabin enters, and the responses it builds."""
    import roomeq
    from roomeq.base.response import FrequencyResponse

    seen: set[str] = set()
    built = 0

    def watch(frame, event, _):
        nonlocal built
        if event == "call" and frame.f_code.co_filename.startswith(str(PACKAGE)):
            if frame.f_code.co_name != "<module>":
                seen.add(frame.f_code.co_filename)
            made = frame.f_locals.get("self")
            if frame.f_code.co_name == "__post_init__" and isinstance(made, FrequencyResponse):
                built += 1

    room = roomeq.read_room(ROOT / "sample_measurements" / "lakeside_cabin")
    sys.setprofile(watch)
    roomeq.propose(room)
    sys.setprofile(None)
    return seen, built


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
    modules, built = entered()
    print(f"modules that a proposal for the cabin enters: {len(modules)}; responses built: {built}")


if __name__ == "__main__":
    main()
