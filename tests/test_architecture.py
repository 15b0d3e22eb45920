"""The house itself: imports go down only, start-up is light, public names exist."""

import ast
import importlib
import inspect
import re
import subprocess
import sys
from functools import cache
from itertools import chain
from pathlib import Path

import msgspec
import pytest
from mutants import AREAS
from places import ROOT

import roomeq

PACKAGE = Path(roomeq.__file__).parent

GUIDE = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def written_order():
    """Read the order of the folders from the contributor guide, which is the only place it
    stands."""
    block = GUIDE.split("## The house")[1].split("```text")[1].split("```")[0]
    return [line.split()[0].removesuffix(".py") for line in block.strip().splitlines()]


ORDER = written_order()


@cache
def modules():
    """Return all modules that hold code."""
    return sorted(p for p in PACKAGE.rglob("*.py") if not p.name.startswith("__"))


def stage_of(name):
    """Return the folder of a module, or the module itself where it lies at the top."""
    folder = "/".join(name.split(".")[1:-1])
    return folder or name.split(".")[1]


def name_of(path):
    return ".".join(("roomeq", *path.relative_to(PACKAGE).with_suffix("").parts))


@cache
def nodes(path):
    return list(ast.walk(ast.parse(path.read_text("utf-8"))))


@cache
def imported(path):
    """Return the modules of the package that a module imports, for types only included."""
    known, found = {name_of(other) for other in modules()}, set()
    for node in nodes(path):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("roomeq"):
            inner = {f"{node.module}.{alias.name}" for alias in node.names} & known
            found |= inner or {node.module}
        elif isinstance(node, ast.Import):
            found |= {a.name for a in node.names if a.name.startswith("roomeq")}
    return found


def test_the_written_order_names_every_folder():
    folders = {path.parent.relative_to(PACKAGE).as_posix() for path in modules()} - {"."}
    assert folders == set(ORDER) - {"batch", "plots"}
    assert len(ORDER) == len(set(ORDER))


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_down_only(path):
    rank = ORDER.index(stage_of(name_of(path)))
    for name in imported(path):
        assert name != "roomeq", "never import the top of the package within it"
        assert ORDER.index(stage_of(name)) <= rank, f"{path.name} imports {name}"


def test_no_circle_of_imports():
    graph = {name_of(path): set(imported(path)) for path in modules()}
    done, active = set(), []

    def visit(name):
        assert name not in active, f"circle: {' -> '.join([*active, name])}"
        if name in done or name not in graph:
            return
        active.append(name)
        for following in sorted(graph[name]):
            visit(following)
        active.pop()
        done.add(name)

    for name in graph:
        visit(name)


def test_the_top_is_small():
    entries = [e for e in PACKAGE.iterdir() if e.name not in ("__pycache__", "py.typed")]
    assert len(entries) <= 15


def definitions(path):
    """Return the functions and classes of a module; methods are their users' to call."""
    module = nodes(path)[0]
    return [n.name for n in module.body if isinstance(n, ast.FunctionDef | ast.ClassDef)]


def test_nothing_is_unreached_that_is_not_public():
    """What no line of the package names must be public: listed, a plot, or said in the guides."""
    reached = set(roomeq.__all__)
    for path in modules():
        for node in nodes(path):
            if isinstance(node, ast.Name):
                reached.add(node.id)
            elif isinstance(node, ast.Attribute):
                reached.add(node.attr)
    pages = [*PACKAGE.rglob("*.jinja"), *ROOT.glob("*.md"), *ROOT.glob("notebooks/*.ipynb")]
    for page in pages:
        reached.update(re.findall(r"\w+", page.read_text("utf-8")))
    for top in ("batch", "plots"):
        reached.update(importlib.import_module(f"roomeq.{top}").__all__)
    unreached = {
        f"{path.relative_to(PACKAGE)}: {name}"
        for path in modules()
        for name in definitions(path)
        if name not in reached
    }
    assert unreached == set()


def test_records_are_frozen_and_by_keyword():
    own = [vars(importlib.import_module(name_of(path))).values() for path in modules()]
    records = {k for k in chain(*own) if isinstance(k, type) and issubclass(k, msgspec.Struct)}
    records = {k for k in records if k.__module__.startswith("roomeq") and k.__name__[0] != "_"}
    assert len(records) > 50
    for kind in records:
        assert kind.__struct_config__.frozen, kind
        kinds = {given.kind for given in inspect.signature(kind).parameters.values()}
        assert kinds <= {inspect.Parameter.KEYWORD_ONLY}, kind


def loaded_after(code):
    script = f"import sys\n{code}\nprint('\\n'.join(sys.modules))"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return {line.split(".")[0] for line in run.stdout.split()}


def test_import_is_light():
    assert not loaded_after("import roomeq") & {"numpy", "scipy", "pandas", "matplotlib", "msgspec"}


def test_help_is_light():
    code = "import contextlib, io\nfrom roomeq.cli.main import main\n"
    code += "with contextlib.redirect_stdout(io.StringIO()):\n"
    code += "    try: main(['--help'])\n    except SystemExit: pass"
    assert not loaded_after(code) & {"numpy", "scipy", "pandas", "matplotlib", "msgspec"}


def test_a_proposal_needs_neither_scipy_nor_pandas_nor_matplotlib():
    """Nor do the plots, before one is drawn."""
    everything = "import roomeq, roomeq.plots\nfor name in roomeq.__all__: getattr(roomeq, name)"
    assert not loaded_after(everything) & {"scipy", "pandas", "matplotlib", "soundfile"}


def test_every_public_name_exists():
    for name in roomeq.__all__:
        value = getattr(roomeq, name)
        assert value.__name__ == name
        assert value.__module__ == f"roomeq.{roomeq._PLACES[name]}"
    assert set(roomeq.__all__) <= set(dir(roomeq))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = roomeq.nothing


def test_public_names_for_type_checkers_are_the_same():
    tree = ast.parse((PACKAGE / "__init__.py").read_text("utf-8"))
    block = next(node for node in tree.body if isinstance(node, ast.If))
    typed = {
        alias.name: node.module.removeprefix("roomeq.")
        for node in block.body
        for alias in node.names
    }
    assert typed == roomeq._PLACES


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_leading_underscore_stays_within_its_module(path):
    """What has none may be used elsewhere; only modules that hand names on list them."""
    names = {name for name in imported(path) if name.rsplit(".", 1)[-1].startswith("_")}
    for node in nodes(path):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("roomeq"):
            names |= {alias.name for alias in node.names if alias.name.startswith("_")}
    assert names == set()
    if path.parent != PACKAGE:
        assert "__all__" not in path.read_text("utf-8")


def test_only_the_command_line_prints():
    for path in modules():
        if path.parent != PACKAGE / "cli":
            assert "print(" not in path.read_text("utf-8"), path


# Modules that recognise what is written in files, draw, write a page, or test for UTF-8 first.
BEYOND_ASCII = ("importers/text/", "report/plots/", "report/sheet/", "report/text/terminal.py")


def test_what_a_terminal_gets_is_ascii():
    for path in modules():
        if path.relative_to(PACKAGE).as_posix().startswith(BEYOND_ASCII):
            continue
        docstrings = {node.value for node in nodes(path) if isinstance(node, ast.Expr)}
        for node in nodes(path):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                assert node in docstrings or node.value.isascii(), f"{path}: {node.value!r}"


@pytest.mark.parametrize("area", AREAS)
def test_files_and_tests_whose_lines_are_broken_are_there(area):
    files, tests = AREAS[area]
    places = [name.partition("::")[0] for name in (*files, *tests)]
    assert [name for name in places if not (ROOT / name).exists()] == []
