"""Save what every command gives on every sample room, and compare it after a change.

    python tests/benchmarks/saved_outputs.py save FOLDER
    python tests/benchmarks/saved_outputs.py compare FOLDER [OTHER]

`save` runs the cases of `output_cases.py` through ``python -m roomeq`` in a temporary folder and
keeps for each its standard output, standard error, exit status and the files it wrote. `compare`
runs them anew (or takes a second saved folder) and prints one line for each difference, with a
unified diff of limited length; its exit status is 1 where anything differs. Meant for a change that
must not change behaviour; run by hand.

Left apart: the release of roomeq, times of day, and the name of the temporary folder. Numbers are
compared as they are printed, unless ``--tolerance`` allows a difference relative to the larger of 1
and the number.
"""

import argparse
import difflib
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

from output_cases import Case, all_cases
from output_rooms import make_rooms

_TEXT = {".txt", ".json", ".html"}
_LEFT_APART = (
    (re.compile(r'("roomeq_version": )"[^"]*"'), r'\1"..."'),
    (re.compile(r"\broomeq \d+\.\d+[\w.+]*"), "roomeq ..."),
    (re.compile(r"\b\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?:Z|[+-]\d\d:?\d\d)?"), "..."),
)
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")


def run(case: Case, *, work: Path, kept: Path, python: str) -> None:
    """Run one case in a folder of its own and keep what it gave."""
    folder = work / "cases" / case.name
    folder.mkdir(parents=True)
    (folder / "rooms").symlink_to(work / "rooms")
    for file, text in case.files.items():
        (folder / file).write_text(text, encoding="utf-8")
    for plan in case.plans:
        shutil.copy(kept / plan / "written" / "plan.json", folder / f"{plan}.json")
    before = {path: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    surroundings = {**os.environ, "COLUMNS": "100", "OMP_NUM_THREADS": "1", "NO_COLOR": "1"}
    done = subprocess.run(
        [python, "-m", "roomeq", *case.words],
        cwd=folder, env=surroundings, capture_output=True, check=False, timeout=300,
    )  # fmt: skip
    result = kept / case.name
    result.mkdir(parents=True)
    for name, content in (("stdout.txt", done.stdout), ("stderr.txt", done.stderr)):
        plain = content.decode("utf-8", "backslashreplace").replace(str(work), "TEMPORARY")
        (result / name).write_text(plain, encoding="utf-8")
    (result / "status.txt").write_text(f"{done.returncode}\n", encoding="utf-8")
    for path in sorted(folder.rglob("*")):
        inside = path.relative_to(folder)
        if path.is_file() and inside.parts[0] != "rooms" and before.get(path) != path.read_bytes():
            (result / "written" / inside).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, result / "written" / inside)


def digests(folder: Path) -> str:
    """Return one line for each file below a folder."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return "".join(
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(folder).as_posix()}\n"
        for path in files
    )


def save(kept: Path, *, python: str = sys.executable, only: str = "") -> None:
    """Run all cases, those that read a plan after those that keep one."""
    if kept.exists() and any(kept.iterdir()):
        raise SystemExit(f"{kept} is not empty")
    kept = kept.resolve()
    start = time.perf_counter()
    cases = list(all_cases())
    if len({case.name for case in cases}) < len(cases):
        raise ValueError("two cases have one name")
    wanted = [case for case in cases if re.search(only, case.name)]
    needed = {plan for case in wanted for plan in case.plans}
    wanted = [case for case in cases if case in wanted or case.name in needed]
    with tempfile.TemporaryDirectory() as name:
        work = Path(name).resolve()
        make_rooms(work / "rooms")
        given = digests(work / "rooms")
        for turn in ([c for c in wanted if not c.plans], [c for c in wanted if c.plans]):
            with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
                list(pool.map(lambda case: run(case, work=work, kept=kept, python=python), turn))
        kept.mkdir(parents=True, exist_ok=True)
        (kept / "given.txt").write_text(given, encoding="utf-8")
        if digests(work / "rooms") != given:
            raise SystemExit("a command changed what it was given to read")
    print(f"{len(wanted)} cases in {time.perf_counter() - start:.0f} s, kept in {kept}")


def lines_of(path: Path) -> list[str]:
    """Return a file's lines with what may differ left apart; JSON indented."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".json" or text.startswith("{"):
        with suppress(ValueError):  # it may be a plan that cannot be read
            text = json.dumps(json.loads(text), indent=1, ensure_ascii=False)
    for pattern, put in _LEFT_APART:
        text = pattern.sub(put, text)
    return text.splitlines()


def close(one: str, other: str, tolerance: float) -> bool:
    """Return whether two lines differ in numbers alone, and in these by no more than allowed."""
    if _NUMBER.sub("#", one) != _NUMBER.sub("#", other):
        return False
    pairs = zip(_NUMBER.findall(one), _NUMBER.findall(other), strict=True)
    return all(
        a == b or abs(float(a) - float(b)) <= tolerance * max(1.0, abs(float(a)), abs(float(b)))
        for a, b in pairs
    )


def difference(one: Path, other: Path, *, tolerance: float, most: int) -> str | None:
    """Return what differs between two files, or None."""
    if one.read_bytes() == other.read_bytes():
        return None
    if one.suffix not in _TEXT:
        return "  other bytes"
    before, after = lines_of(one), lines_of(other)
    if tolerance and len(before) == len(after):
        pairs = zip(before, after, strict=True)
        after = [a if close(a, b, tolerance) else b for a, b in pairs]
    if before == after:
        return None
    lines = list(difflib.unified_diff(before, after, "before", "after", n=1, lineterm=""))[2:]
    shown = [f"  {line[:160]}" for line in lines[:most]]
    return "\n".join([*shown, *([f"  ... {len(lines) - most} more"] if len(lines) > most else [])])


def compare(one: Path, other: Path, *, only: str, tolerance: float, most: int) -> int:
    """Print how two saved folders differ, and return the exit status."""
    files = [
        {
            path.relative_to(folder)
            for path in folder.rglob("*")
            if path.is_file() and re.search(only, path.relative_to(folder).parts[0])
        }
        for folder in (one, other)
    ]
    count = 0
    for file in sorted(files[0] | files[1]):
        if file not in files[0] or file not in files[1]:
            count += 1
            print(f"{file}: only {'before' if file in files[0] else 'after'}")
            continue
        found = difference(one / file, other / file, tolerance=tolerance, most=most)
        if found is not None:
            count += 1
            print(f"{file}: differs\n{found}")
    print(f"{count} of {len(files[0] | files[1])} files differ")
    return 1 if count else 0


def main() -> int:
    parser = argparse.ArgumentParser(description="Save and compare what every command gives.")
    commands = parser.add_subparsers(dest="command", required=True)
    saving = commands.add_parser("save", help="run all cases and keep what they gave")
    comparing = commands.add_parser("compare", help="compare with a saved folder")
    saving.add_argument("folder", type=Path)
    comparing.add_argument("folder", type=Path)
    comparing.add_argument("other", type=Path, nargs="?", help="a second one; else run anew")
    comparing.add_argument("--tolerance", type=float, default=0.0, metavar="N")
    comparing.add_argument("--lines", type=int, default=12, metavar="N", help="of a diff")
    for command in (saving, comparing):
        command.add_argument("--only", default="", metavar="PATTERN", help="names of cases")
        command.add_argument("--python", default=sys.executable, help="whose roomeq to run")
    chosen = parser.parse_args()
    if chosen.command == "save":
        save(chosen.folder, python=chosen.python, only=chosen.only)
        return 0
    told = {"only": chosen.only, "tolerance": chosen.tolerance, "most": chosen.lines}
    if not (chosen.folder / "given.txt").exists():
        raise SystemExit(f"{chosen.folder} holds no saved outputs")
    if chosen.other is not None:
        return compare(chosen.folder, chosen.other, **told)
    with tempfile.TemporaryDirectory() as name:
        save(Path(name), python=chosen.python, only=chosen.only)
        return compare(chosen.folder, Path(name), **told)


if __name__ == "__main__":
    raise SystemExit(main())
