"""The README says what is true: its commands, its excerpt, its tables, its links and pictures."""

import importlib.util
import re
import shlex
import struct
import subprocess
import tomllib
from pathlib import Path

import matplotlib
import pytest
from sample_jobs import JOBS, computed_once  # noqa: F401

import roomeq as rq
from roomeq.cli.main import main
from roomeq.importers.room_file.reading import read_room_file
from roomeq.report.plots import pictures

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
GUIDE = (ROOT / "sample_measurements" / "GUIDE.md").read_text("utf-8")
PAGES = [ROOT / "README.md", *(ROOT / "sample_measurements").glob("**/*.md")]


def fenced(after, kind="sh"):
    found = re.search(rf"<!-- {after} -->\n```{kind}\n(.*?)\n```", README, re.DOTALL)
    return found.group(1)


def test_two_commands_are_one_line_each():
    for name in ("main job", "tests"):
        assert "\n" not in fenced(name)
        assert fenced(name).startswith("python3 -m venv .venv && ")
    assert fenced("tests").endswith(".venv/bin/python -m pytest")


def test_ci_calls_the_test_command_of_the_readme():
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    assert "<!-- tests -->" in script
    assert "python -m pytest" not in script  # it has no copy of its own


@pytest.mark.usefixtures("computed_once")
def test_main_job_prints_the_excerpt(capsys):
    words = shlex.split(fenced("main job").rsplit("&&", 1)[1])
    assert words[:2] == [".venv/bin/roomeq", "propose"]
    main(["propose", str(ROOT / words[2])])
    printed = capsys.readouterr().out
    excerpt = re.search(r"```text\n(.*?)\n```", README, re.DOTALL).group(1)
    assert excerpt in printed


def test_no_command_stands_outside_the_blocks_that_are_run_here():
    blocks = re.findall(r"(?:<!-- (.*?) -->\n)?```sh", README)
    assert blocks == ["main job", "tests", "install", "own room", "sample rooms"]


def test_what_is_installed_is_on_offer():
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    named = re.findall(r"\.\[(\w+)\]", README) + re.findall(r"extra `(\w+)`", README)
    assert set(named) == {"dev", "report", "notebook", "cluster"}
    assert set(named) <= set(extras["optional-dependencies"])
    first, second = fenced("install").splitlines()
    assert first == ". .venv/bin/activate"
    assert second.startswith("python -m pip install ")


@pytest.fixture
def clone(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_measurements").symlink_to(ROOT / "sample_measurements")
    return tmp_path


def run(line):
    """Run a line as a shell would; commands of ours in this process."""
    command, *words = shlex.split(line, comments=True)
    if command != "roomeq":
        subprocess.run(["bash", "-euc", line], check=True)
        return 0
    named = [w for word in words for w in (sorted(map(str, Path().glob(word))) or [word])]
    return main(named if any("*" in word for word in words) else words)


@pytest.mark.usefixtures("computed_once")
@pytest.mark.parametrize("block", ["own room", "sample rooms"])
def test_commands_run_as_they_are_written(clone, block, capsys, monkeypatch):
    some = {name: pictures.PICTURES[name] for name in ("seats", "band_gains")}
    monkeypatch.setattr(pictures, "PICTURES", some)
    said = {}
    for line in fenced(block).splitlines():
        status, printed = run(line), capsys.readouterr()
        assert status in (0, 1), line
        assert "Traceback" not in printed.err
        said[" ".join(line.split()[:2])] = status, printed.out
    wanted = {
        "own room": {"my_room", "my_plan.json"},
        "sample rooms": {"cabin.json", "cabin.html", "pictures", "bass.wav", "bass.json"},
    }
    made = {path.name for path in clone.iterdir()} - {"sample_measurements"}
    assert made == wanted[block]
    if block == "sample rooms":  # as the README says of it
        status, out = said["roomeq verify"]
        assert status == 1
        assert "settings from before are still in force" in out


@pytest.mark.parametrize("extra", [None, "sweeps", "typed levels", "mains"])
def test_the_tables_are_read(tmp_path, extra):
    text = fenced("exports", "toml")
    if extra is not None:
        text = text.replace("armchair", "sofa") + "\n" + fenced(extra, "toml")
    for name in re.findall(r'"([\w]+\.\w+)"', text):
        (tmp_path / name).write_text("20 70\n", encoding="utf-8")
    (tmp_path / "room.toml").write_text(text, encoding="utf-8")
    room = read_room_file(tmp_path)
    kinds = {entry.kind for entry in room.measurements}
    assert room.target.lower_limit == 25
    assert (room.sweep is not None) == (extra == "sweeps") == ("sweep" in kinds)
    assert ("band_levels" in kinds) == (extra == "typed levels")
    assert ({"sub", "mains"} <= {entry.source for entry in room.measurements}) == (extra == "mains")
    assert (room.timing is not None) == (extra == "mains")
    if extra == "sweeps":
        other = text.replace("description =", "# description =").replace("# reference", "reference")
        (tmp_path / "room.toml").write_text(other, encoding="utf-8")
        (tmp_path / "played.wav").write_bytes(b"")
        assert read_room_file(tmp_path).sweep.reference == "played.wav"


def test_it_is_short():
    assert len(README.split()) <= 1500


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page):
    for link in re.findall(r"\]\(([^)#]+)\)", page.read_text("utf-8")):
        assert (page.parent / link).exists(), link


def test_pictures_are_two_and_small():
    pictures = [ROOT / link for link in re.findall(r"!\[.*?\]\((.*?)\)", README)]
    assert [path.stem for path in pictures] == ["prediction", "joining"]
    for path in pictures:
        data = path.read_bytes()
        assert data.startswith(b"\x89PNG")
        assert len(data) < 150_000
        width, height = struct.unpack(">II", data[16:24])  # PNG (ISO/IEC 15948), header chunk
        assert 400 < height <= width < 1200


@pytest.mark.skipif(
    matplotlib.__version_info__ < (3, 10),
    reason="drawn with matplotlib 3.10 or later: an older one leaves other margins around letters",
)
def test_pictures_are_those_that_the_script_draws(tmp_path, capsys, monkeypatch):
    for name in ("read_room", "propose", "join"):
        monkeypatch.setattr(rq, name, JOBS[name])
    path = ROOT / "sample_measurements" / "make_pictures.py"
    spec = importlib.util.spec_from_file_location("make_pictures", path)
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    assert script.main([str(tmp_path)]) == 0
    kept = {path.name: path.read_bytes()[16:24] for path in (path.parent / "pictures").iterdir()}
    assert {path.name: path.read_bytes()[16:24] for path in tmp_path.iterdir()} == kept


def test_script_runs(tmp_path, monkeypatch, capsys):
    script = re.search(r"## As a script\n\n```python\n(.*?)```", GUIDE, re.DOTALL).group(1)
    notebook = re.search(r"## In a notebook\n\n```python\n(.*?)```", GUIDE, re.DOTALL).group(1)
    for name in ("read_room", "propose"):
        monkeypatch.setattr(rq, name, JOBS[name])
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_measurements").symlink_to(ROOT / "sample_measurements")
    exec(compile(script + notebook, "GUIDE.md", "exec"), {})
    assert len(capsys.readouterr().out.splitlines()) == 5
    assert (tmp_path / "cabin-plan.json").exists()


def test_the_guides_subwoofers_are_read(tmp_path):
    block = re.search(r"<!-- subwoofers -->\n```toml\n(.*?)\n```", GUIDE, re.DOTALL).group(1)
    for name in re.findall(r'"([\w]+\.\w+)"', block):
        (tmp_path / name).write_text("20 70\n", encoding="utf-8")
    (tmp_path / "room.toml").write_text(f'format = 1\nname = "Hall"\n{block}\n', encoding="utf-8")
    room = read_room_file(tmp_path)
    assert [one.name for one in room.subwoofers] == ["front", "back"]
    assert [entry.place for entry in room.measurements] == [None, None, None, "door"]
