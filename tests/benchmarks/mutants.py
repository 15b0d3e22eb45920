"""Lines broken one at a time: do the tests of their area notice?

    python -m pip install coverage
    python tests/benchmarks/mutants.py bound --count 100 --seed 1 --minutes 20

A mutant turns round one comparison, operator, condition or truth, moves one number (by 1, or times
1.3), returns nothing, or leaves out one call or refusal. Messages, annotations, docstrings, what is
allowed for rounding and what is said of `strict` and `repr` stay as they are. `--count` are drawn
from all of an area's files.

All is done in a copy of the checkout, so that it may be worked on meanwhile. The area's tests run
once to see which lines they enter; what a fixture of a file enters, all tests enter that use it. A
mutant of a function then meets the tests that enter its line, in a fork of a process that has
imported them all: those first that are quick or noticed much so far, file by file, since a file
shares what it computes. One that is made on import (a constant, a default) comes before those of
functions, within a quarter of the time, in a process of its own: first the tests that enter a line
with its name, then all of the area. Both are counted apart, since time cuts them short unlike. A
mutant with which a test takes far longer than it did is noticed as well. Tests beyond a minute for
one mutant are left out.

What no test notices is printed, to be read one by one: it is equal (it prunes, ranks or pads), or
dead, or a hole in the tests. Needs a system that forks; by hand only.

Caught of sampled, 300 or all there are, before the holes they showed were closed: limits 102 of
107, loss 212 of 218, bound 256 of 300, joining 258 of 300, verification 272 of 300, command line
287 of 300, plan 275 of 292 (43 of them by the test that records are frozen, run by hand); bound
once more after its steps were written anew, 104 of 120. What is left of bound neither moves the
answer nor breaks the bound (how widely a start is searched, the size of a batch), or is what
rounding may do; what is left of what is made on import says how fine a grid is, or how likely a
fault is beforehand.
"""

import argparse
import ast
import contextlib
import gc
import importlib
import json
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import types
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

AREAS = {
    "loss": (
        ["roomeq/wanted/loss.py"]
        + [f"roomeq/optimiser/bands/{name}.py" for name in ("problem", "task")],
        ["tests/optimiser/bands", "tests/wanted"],
    ),
    "bound": (
        [f"roomeq/optimiser/bands/{name}.py" for name in ("bound", "branching", "search", "start")],
        [f"tests/optimiser/bands/test_{name}.py" for name in ("search", "problem", "bound")],
    ),
    "limits": (
        ["roomeq/wanted/limits.py"],
        ["tests/wanted", "tests/jobs/test_outcomes.py"]
        + [f"tests/optimiser/bands/test_{name}.py" for name in ("fit_data", "fit", "gains")],
    ),
    "joining": (
        ["roomeq/optimiser/joining"],
        ["tests/optimiser/joining", "tests/jobs/joining", "tests/jobs/test_join.py"],
    ),
    "path": (
        ["roomeq/optimiser/path", "roomeq/jobs/joining/path.py"],
        ["tests/optimiser/path", "tests/jobs/joining/test_path.py"],
    ),
    "verification": (
        ["roomeq/jobs/verify.py", "roomeq/jobs/verifying"],
        ["tests/jobs/verifying"]
        + [
            f"tests/jobs/test_{name}.py"
            for name in ("verify", "verify_joined", "verify_several", "compare")
        ],
    ),
    "plan": (
        ["roomeq/plan"],
        ["tests/test_architecture.py::test_records_are_frozen_and_by_keyword", "tests/plan"]
        + ["tests/report/text", "tests/test_scripts.py"]
        + [f"tests/jobs/test_propose{name}.py" for name in ("", "_joined", "_several")]
        + [f"tests/jobs/test_{name}.py" for name in ("verify", "verify_joined", "join")],
    ),
    "cli": (
        [f"roomeq/cli/{name}.py" for name in ("arguments", "commands", "main", "saying")],
        ["tests/cli", "tests/jobs/test_verify.py", "tests/jobs/test_join.py"]
        + [f"tests/report/text/test_{name}.py" for name in ("keys", "room_file")],
    ),
}
CHECKOUT = Path(__file__).parents[2]
MOST_SECONDS = 60.0
ROUNDING = 1e-6
OPTIONS = ["-q", "-n", "0", "--capture=sys", "-p", "no:cacheprovider"]
OPTIONS += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
SLOW_TO_IMPORT = (
    *("numpy", "pandas", "msgspec", "soundfile", "hypothesis", "matplotlib.pyplot"),
    *(f"scipy.{name}" for name in ("signal", "optimize", "interpolate", "fft", "stats", "linalg")),
)
PAIRS = (
    *((ast.Lt, ast.GtE), (ast.LtE, ast.Gt), (ast.Eq, ast.NotEq), (ast.Is, ast.IsNot)),
    *((ast.In, ast.NotIn), (ast.And, ast.Or)),  # codespell:ignore notin
    *((ast.Add, ast.Sub), (ast.Mult, ast.Div), (ast.BitOr, ast.BitAnd)),
)
TURNED = {
    **{one: other for one, other in PAIRS},
    **{other: one for one, other in PAIRS},
    **{ast.Pow: ast.Mult, ast.FloorDiv: ast.Mult, ast.MatMult: ast.Add},
}


class Site(NamedTuple):
    """What may be broken: a node of a file, the lines of its statement, the function around it.

    Of what is made on import also the name it is given.
    """

    file: str
    number: int
    first: int
    last: int
    function: str | None
    begins: int
    name: str


def walked(node: ast.AST, function=(None, 0), owners=(), statement=None) -> Iterator[tuple]:
    """Yield what may be mutated below a node with its function's name and line and statement."""
    if isinstance(node, ast.stmt):
        statement = node
    yield node, function, statement
    skipped = [getattr(node, name, None) for name in ("annotation", "returns", "decorator_list")]
    if isinstance(node, ast.Raise | ast.Assert | ast.JoinedStr):
        return
    if isinstance(node, ast.keyword) and node.arg in ("strict", "repr"):
        return
    if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
        return
    body = getattr(node, "body", None)
    if isinstance(body, list) and isinstance(body[0], ast.Expr):
        skipped += [one for one in body[:1] if isinstance(one.value, ast.Constant)]
    inner = function
    if isinstance(node, ast.ClassDef) and function[0] is None:
        owners = (*owners, node.name)
    if isinstance(node, ast.FunctionDef) and function[0] is None:
        inner = (".".join((*owners, node.name)), node.lineno)
    for name, value in ast.iter_fields(node):
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not any(child is s or value is s for s in skipped):
                yield from walked(child, inner if name == "body" else function, owners, statement)


def breakable(node: ast.AST) -> bool:
    """Return whether `broken` can do anything to a node."""
    if isinstance(node, ast.Compare):
        return type(node.ops[0]) in TURNED
    if isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp):
        return type(node.op) in TURNED
    if isinstance(node, ast.Constant):
        return isinstance(node.value, int | float) and not 0.0 < node.value <= ROUNDING
    if isinstance(node, ast.UnaryOp):
        return isinstance(node.op, ast.Not | ast.USub)
    if isinstance(node, ast.Return):
        return node.value is not None and getattr(node.value, "value", 0) is not None
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Call)
    if isinstance(node, ast.If):  # what is turned round in itself need not be once more
        return not (isinstance(node.test, ast.Compare | ast.UnaryOp) and breakable(node.test))
    return isinstance(node, ast.IfExp | ast.Raise)


def broken(node: ast.AST) -> ast.AST:
    """Return a node with one thing turned round, moved or left out; itself where it can be."""
    if isinstance(node, ast.Compare):
        node.ops[0] = TURNED[type(node.ops[0])]()
    elif isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp):
        node.op = TURNED[type(node.op)]()
    elif isinstance(node, ast.Constant):
        value = node.value
        if isinstance(value, bool):
            node.value = not value
        else:
            node.value = value + 1 if isinstance(value, int) else 1.3 * value or 1.0
    elif isinstance(node, ast.If):
        node.test = ast.UnaryOp(ast.Not(), node.test)
    elif isinstance(node, ast.IfExp):
        node.body, node.orelse = node.orelse, node.body
    elif isinstance(node, ast.Return):
        node.value = ast.Constant(None)
    else:
        return node.operand if isinstance(node, ast.UnaryOp) else ast.Pass()
    return node


def sites(file: str) -> list[Site]:
    """Return all that may be broken in a file."""
    tree, found = ast.parse(Path(file).read_text("utf-8")), []
    numbers = {id(node): number for number, node in enumerate(ast.walk(tree))}
    for node, (function, begins), statement in walked(tree):
        if statement is not None and breakable(node):
            last, body = statement.end_lineno, getattr(statement, "body", None)
            if isinstance(body, list):
                last = max(statement.lineno, body[0].lineno - 1)
            target = getattr(statement, "targets", [getattr(statement, "target", None)])[0]
            name = getattr(target, "id", "") or getattr(statement, "name", "")
            number = numbers[id(node)]
            found.append(Site(file, number, statement.lineno, last, function, begins, name))
    return found


def mutant(site: Site) -> tuple[ast.Module, str]:
    """Return the broken module, and what was broken in words."""
    tree = ast.parse(Path(site.file).read_text("utf-8"))
    node = list(ast.walk(tree))[site.number]
    before = ast.unparse(node)
    new = broken(node)

    class Put(ast.NodeTransformer):
        def visit(self, one):
            return ast.copy_location(new, one) if one is node else self.generic_visit(one)

    if new is not node:
        tree = Put().visit(tree)
    words = f"{site.file}:{node.lineno} [{site.function}] {before} -> {ast.unparse(new)}"
    return ast.fix_missing_locations(tree), " ".join(words.split())[:220]


def put_in(site: Site, tree: ast.Module, functions: list[types.FunctionType]) -> None:
    """Give the function of a site its broken code.

    Raises
    ------
    LookupError
        If it is none that can be found by its name.
    """
    waiting, found = [compile(tree, str(Path(site.file).absolute()), "exec")], {}
    while waiting:
        code = waiting.pop()
        waiting += [one for one in code.co_consts if isinstance(one, types.CodeType)]
        found[code.co_filename, code.co_qualname, code.co_firstlineno] = code
    count = 0
    for one in functions:
        own = one.__code__
        code = found.get((own.co_filename, own.co_qualname, own.co_firstlineno))
        if own.co_qualname == site.function and code is not None:
            one.__code__ = code
            count += 1
    if not count:
        raise LookupError(site.function)


def hurried(seconds: float) -> None:
    """End this process once it has taken so many more seconds of the processor."""
    limit = int(time.process_time() + seconds) + 1
    resource.setrlimit(resource.RLIMIT_CPU, (limit, resource.RLIM_INFINITY))


def forked(work: Callable[[], int], seconds: float, log: Path) -> int | None:
    """Return the exit status of work in a process of its own; not 0 if it took too long.

    Seconds are those of the processor; where it only waits ten times as many are granted.
    """
    child = os.fork()
    if child == 0:
        os.setsid()
        hurried(seconds)
        target = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(target, 1)
        os.dup2(target, 2)
        status = 99
        try:
            status = int(work())
        except BaseException:
            traceback.print_exc()
        sys.stdout.flush()
        os._exit(status)
    end, status = time.monotonic() + 10.0 * seconds, None
    while status is None and time.monotonic() < end:
        time.sleep(0.01)
        done, code = os.waitpid(child, os.WNOHANG)
        status = os.waitstatus_to_exitcode(code) if done else None
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    if status is None:
        os.waitpid(child, 0)
    return status


def file_of(test: str) -> str:
    """Return the file of a test by the name that pytest gives it."""
    return test.partition("::")[0]


class Seen:
    """Which tests enter which line, how long each took, and which fail as it is."""

    def __init__(self, files: list[str]) -> None:
        self.files, self.lines, self.seconds, self.failing = files, {}, {}, set()
        self.noticed = Counter()

    def run(self, tests: list[str]) -> int:
        import coverage

        include = [str(Path(file).absolute()) for file in self.files]
        self.cover = coverage.Coverage(data_file=None, include=include, config_file=False)
        self.within, self.users = [""], defaultdict(set)
        self.cover.start()
        pytest.main([*OPTIONS, *tests], plugins=[self])
        self.cover.stop()
        for file in self.files:
            found = self.cover.get_data().contexts_by_lineno(str(Path(file).absolute()))
            for line, contexts in found.items():
                entering = {test for one in contexts for test in self.users.get(one, {one})}
                self.lines[f"{file}:{line}"] = sorted(entering)
        kept = {"lines": self.lines, "seconds": self.seconds, "failing": sorted(self.failing)}
        Path("seen.json").write_text(json.dumps(kept))
        return 0

    def pytest_collection_finish(self, session):
        for item in session.items:
            for name, fixtures in item._fixtureinfo.name2fixturedefs.items():
                for one in fixtures:
                    self.users[f"{one.baseid} shares {name}"].add(item.nodeid)

    @contextlib.contextmanager
    def context(self, name: str) -> Iterator[None]:
        self.within.append(name)
        self.cover.switch_context(name)
        yield
        self.within.pop()
        self.cover.switch_context(self.within[-1])

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef):
        """What a fixture of a file enters, each test enters that uses it."""
        if fixturedef.scope == "function":
            return (yield)
        with self.context(f"{fixturedef.baseid} shares {fixturedef.argname}"):
            return (yield)

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item):
        begin = time.process_time() + os.times().children_user
        with self.context(item.nodeid):
            yield
        self.seconds[item.nodeid] = time.process_time() + os.times().children_user - begin

    def pytest_runtest_logreport(self, report):
        if report.failed:
            self.failing.add(report.nodeid)

    def read(self) -> None:
        self.__dict__.update(json.loads(Path("seen.json").read_text()))

    def cost(self, name: str) -> float:
        """Return what a test takes for each mutant that it is likely to notice."""
        return (0.05 + self.seconds[name]) / (1.0 + self.noticed[name])

    def promising(self, names: set[str], first: set[str] = frozenset()) -> list[str]:
        """Return tests, the promising ones first, file by file, as far as a minute goes."""
        chosen, spent = [], 0.0
        known = names & set(self.seconds) - set(self.failing)
        for name in sorted(known, key=lambda one: (one not in first, self.cost(one))):
            spent += self.seconds[name]
            if spent > MOST_SECONDS and chosen:
                break
            chosen.append(name)
        files = list(dict.fromkeys(file_of(name) for name in chosen))
        return sorted(chosen, key=lambda name: files.index(file_of(name)))

    def of(self, site: Site) -> list[str]:
        lines = range(site.first, site.last + 1)
        return self.promising({t for n in lines for t in self.lines.get(f"{site.file}:{n}", [])})

    def of_name(self, site: Site) -> list[str]:
        """Return all tests, those first that enter a line with the name of what is made."""
        with_name = {
            f"{file}:{number}"
            for file in self.files
            for number, line in enumerate(Path(file).read_text("utf-8").splitlines(), start=1)
            if site.name and re.search(rf"\b{re.escape(site.name)}\b", line)
        }
        first = {test for line in with_name for test in self.lines.get(line, [])}
        return self.promising(set(self.seconds), first)

    def patience(self, names: list[str]) -> float:
        return 10.0 + 3.0 * sum(self.seconds[name] for name in names)

    def patience_with(self, name: str) -> float:
        """Return the seconds a test may take by itself, with what its file shares."""
        alike = (taken for one, taken in self.seconds.items() if file_of(one) == file_of(name))
        return 5.0 + 2.0 * max(alike) + 3.0 * self.seconds[name]


class Warm:
    """In place of pytest's own loop: each mutant in a fork, with the tests that enter its line."""

    def __init__(self, drawn: list[Site], seen: Seen, say: Callable, end: float) -> None:
        self.drawn, self.seen, self.say, self.end = drawn, seen, say, end

    def pytest_runtestloop(self, session):
        items = {item.nodeid: item for item in session.items}
        gc.unfreeze()
        known = {str(Path(site.file).absolute()) for site in self.drawn}
        functions = [
            one
            for one in gc.get_objects()
            if isinstance(one, types.FunctionType) and one.__code__.co_filename in known
        ]
        gc.freeze()
        for site in self.drawn:
            if time.monotonic() > self.end:
                break
            tree, words = mutant(site)
            names = [name for name in self.seen.of(site) if name in items]
            if not names:
                self.say("not entered", words, site)
                continue
            chosen = [items[name] for name in names]

            def work(site=site, tree=tree, chosen=chosen):
                put_in(site, tree, functions)
                hook = session.config.hook
                for item, following in zip(chosen, [*chosen[1:], None], strict=True):
                    before = session.testsfailed
                    Path("under_way").write_text(item.nodeid)
                    hurried(self.seen.patience_with(item.nodeid))
                    hook.pytest_runtest_protocol(item=item, nextitem=following)
                    if session.testsfailed > before:
                        return 1
                return 0

            status = forked(work, self.seen.patience(names), Path("child.log"))
            fate = {0: "left", 99: "not put in"}.get(status, "caught")
            if fate == "caught":
                self.seen.noticed[Path("under_way").read_text()] += 1
            self.say(fate, words, site)
        return True


class Promising:
    """The promising tests first, and no others than those."""

    def __init__(self, names: list[str]) -> None:
        self.rank = {name: place for place, name in enumerate(names)}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items):
        items[:] = [item for item in items if item.nodeid in self.rank]
        items.sort(key=lambda item: self.rank[item.nodeid])


def anew(site: Site, names: list[str], seen: Seen) -> tuple[str, str]:
    """Return how a mutant fared that is made on import, in a process of its own."""
    path = Path(site.file)
    text, (tree, words) = path.read_text("utf-8"), mutant(site)
    path.write_text(ast.unparse(tree), "utf-8")
    tests = sorted({file_of(name) for name in names})
    try:
        run = [*OPTIONS, "-x", *tests]
        status = forked(
            lambda: pytest.main(run, plugins=[Promising(names)]),
            20.0 + seen.patience(names),
            Path("child.log"),
        )
    finally:
        path.write_text(text, "utf-8")
    return "left" if status == 0 else "caught", words


def copied(to: Path) -> None:
    """Copy what git knows of the checkout, or would know if it were added."""
    listed = ["git", "-C", str(CHECKOUT), "ls-files", "-co", "--exclude-standard"]
    for name in subprocess.run(listed, capture_output=True, text=True, check=True).stdout.split():
        if (CHECKOUT / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(CHECKOUT / name, to / name)


def judge(area: str, *, count: int, seed: int, minutes: float) -> None:
    """Break an area's lines in the present folder, a copy of the checkout."""
    named, tests = AREAS[area]
    files = [
        str(one)
        for name in named
        for one in (sorted(Path(name).glob("*.py")) if Path(name).is_dir() else [Path(name)])
    ]
    end, fates = time.monotonic() + 60.0 * minutes, Path("fates")
    fates.touch()

    def say(fate: str, words: str, site: Site) -> None:
        with fates.open("a") as told:
            print(json.dumps([fate, site]), file=told)
        if fate in ("left", "not entered"):
            print(f"  {fate}: {words}", flush=True)

    seen = Seen(files)
    if forked(lambda: seen.run(tests), 3600.0, Path("seen.log")) != 0:
        sys.exit(f"the tests did not run:\n{Path('seen.log').read_text()[-3000:]}")
    seen.read()
    if seen.failing:
        print("failing as it is:", *seen.failing)
    every = [site for file in files for site in sites(file)]
    drawn = random.Random(seed).sample(every, min(count, len(every)))
    on_import = [one for one in drawn if not one.function]
    quarter = time.monotonic() + 0.25 * (end - time.monotonic())
    while on_import and time.monotonic() < quarter:
        site = on_import.pop(0)
        say(*anew(site, seen.of_name(site), seen), site)
    collected = sorted({file_of(name) for name in seen.seconds})
    warm = Warm([one for one in drawn if one.function], seen, say, end)
    child = os.fork()
    if child == 0:
        pytest.main([*OPTIONS, *collected], plugins=[warm])
        sys.stdout.flush()
        os._exit(0)
    os.waitpid(child, 0)
    told = [json.loads(line) for line in fates.read_text().splitlines()]
    again = [Site(*site) for fate, site in told if fate == "not put in"]
    for site in [*again, *on_import]:
        if time.monotonic() < end:
            say(*anew(site, seen.of_name(site), seen), site)
    told = [json.loads(line) for line in fates.read_text().splitlines()]
    print(f"{area}, {len(every)} in all, seed {seed}:")
    for where, inside in (("in functions", True), ("made on import", False)):
        some = [fate for fate, site in told if (Site(*site).function is not None) is inside]
        found = Counter(fate for fate in some if fate != "not put in")
        print(f"  {where}: {found['caught']} of {found.total()} caught")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("area", choices=AREAS)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=30.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        copied(Path(folder))
        os.chdir(folder)
        sys.path[:0] = [folder]
        sys.dont_write_bytecode = True
        os.environ |= {"OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
        os.environ |= {"PYTHONPATH": folder, "MPLBACKEND": "agg"}
        for name in SLOW_TO_IMPORT:
            importlib.import_module(name)
        judge(given.area, count=given.count, seed=given.seed, minutes=given.minutes)


if __name__ == "__main__":
    main()
