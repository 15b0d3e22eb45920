"""The house itself: imports go down only, start-up is light, public names exist."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import roomeq

PACKAGE = Path(roomeq.__file__).parent

# Imports go from a later line to an earlier one, or stay within a line.
ORDER = [
    {"errors", "replacing"},
    {"levels"},
    {"bands"},
    {"response", "recording"},
    {"survey"},
    {"importers", "analysis", "device"},
    {"optimiser"},
    {"room", "equipment", "joining_setup", "recorded", "recording_weights"},
    {
        "sweep_reading",
        "room_assembly",
        "room_reading",
        "headroom_reading",
        "joining_reading",
        "recording_rows",
        "path_figures",
        "joining_offer",
        "joining_steps",
        "room_decay",
    },
    {"plan_records", "plan_drive", "plan_alignment", "plan_joining", "overview"},
    {"plan"},
    {
        "proposal",
        "proposal_cautions",
        "proposal_headroom",
        "drive_scene",
        "joining_proposal",
        "joining_solution",
        "proposal_joining",
    },
    {"verification_records"},
    {"verification", "verification_joining"},
    {"report"},
    {"batch"},
    {"cli", "arguments"},
    {"__main__"},
]
RANK = {name: rank for rank, names in enumerate(ORDER) for name in names}


def modules():
    return sorted(p for p in PACKAGE.rglob("*.py") if p != PACKAGE / "__init__.py")


def rank_of(path):
    return RANK[path.relative_to(PACKAGE).with_suffix("").parts[0]]


def imported(path, *, also_for_types=True):
    tree = ast.parse(path.read_text("utf-8"))
    if not also_for_types:
        tree.body = [
            node
            for node in tree.body
            if not (isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING")
        ]
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_down_only(path):
    for name in imported(path):
        parts = name.split(".")
        if parts[0] == "roomeq":
            assert len(parts) > 1, "never import the top of the package within it"
            assert RANK[parts[1]] <= rank_of(path), f"{path.name} imports {name}"


def test_no_two_modules_import_each_other():
    graph = {}
    for path in modules():
        name = ".".join(("roomeq", *path.relative_to(PACKAGE).with_suffix("").parts))
        names = imported(path, also_for_types=False)
        graph[name.removesuffix(".__init__")] = {n for n in names if n.startswith("roomeq")}
    done, active = set(), []

    def visit(name):
        assert name not in active, f"import knot: {' -> '.join([*active, name])}"
        if name in done or name not in graph:
            return
        active.append(name)
        for following in sorted(graph[name]):
            visit(following)
        active.pop()
        done.add(name)

    for name in graph:
        visit(name)


def loaded_after(code):
    script = f"import sys\n{code}\nprint('\\n'.join(sys.modules))"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return {line.split(".")[0] for line in run.stdout.split()}


def test_import_is_light():
    assert not loaded_after("import roomeq") & {"numpy", "scipy", "pandas", "matplotlib", "msgspec"}


def test_help_is_light():
    code = "import contextlib, io\nfrom roomeq.cli import main\n"
    code += "with contextlib.redirect_stdout(io.StringIO()):\n"
    code += "    try: main(['--help'])\n    except SystemExit: pass"
    assert not loaded_after(code) & {"numpy", "scipy", "pandas", "matplotlib", "msgspec"}


def test_a_proposal_needs_neither_scipy_nor_pandas_nor_matplotlib():
    everything = "import roomeq\nfor name in roomeq.__all__: getattr(roomeq, name)"
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
def test_all_lists_what_exists(path):
    if path.name in ("__init__.py", "__main__.py"):
        pytest.skip("holds a docstring or starts the command line")
    tree = ast.parse(path.read_text("utf-8"))
    defined, listed = set(), None
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            defined.add(node.name)
        elif isinstance(node, ast.Assign):
            names = [t.id for t in node.targets if isinstance(t, ast.Name)]
            defined.update(names)
            if "__all__" in names:
                listed = ast.literal_eval(node.value)
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            defined.add(node.target.id)
        elif isinstance(node, ast.ImportFrom):
            defined.update(alias.asname or alias.name for alias in node.names)
    assert listed is not None, "every module lists its public names"
    assert set(listed) <= defined


def test_only_the_command_line_prints():
    for path in modules():
        if path.name != "cli.py":
            assert "print(" not in path.read_text("utf-8"), path


# Modules that recognise what is written in files, draw, write a page, or test for UTF-8 first.
BEYOND_ASCII = ("importers/text_", "report/plots_", "report/sheet_", "report/terminal.py")


def test_what_a_terminal_gets_is_ascii():
    for path in modules():
        if path.relative_to(PACKAGE).as_posix().startswith(BEYOND_ASCII):
            continue
        tree = ast.parse(path.read_text("utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
                node.value = ast.Constant(None)  # a docstring
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                assert node.value.isascii(), f"{path}: {node.value!r}"
