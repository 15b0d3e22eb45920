"""The README says what is true: its commands, its script, its excerpt."""

import re
import shlex
from pathlib import Path

from roomeq.cli.main import main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")


def fenced(after):
    return re.search(rf"<!-- {after} -->\n```sh\n(.*?)\n```", README, re.DOTALL).group(1)


def test_two_commands_are_one_line_each():
    for name in ("main job", "tests"):
        assert "\n" not in fenced(name)
        assert fenced(name).startswith("python3 -m venv .venv && ")
    assert fenced("tests").endswith(".venv/bin/python -m pytest")


def test_ci_calls_the_test_command_of_the_readme():
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    assert "<!-- tests -->" in script
    assert "python -m pytest" not in script  # it has no copy of its own


def test_main_job_prints_the_excerpt(capsys):
    words = shlex.split(fenced("main job").rsplit("&&", 1)[1])
    assert words[:2] == [".venv/bin/roomeq", "propose"]
    main(["propose", str(ROOT / words[2])])
    printed = capsys.readouterr().out
    excerpt = re.search(r"```text\n(.*?)\n```", README, re.DOTALL).group(1)
    assert excerpt in printed


def test_script_runs(tmp_path, monkeypatch, capsys):
    script = re.search(r"### As a script\n\n```python\n(.*?)```", README, re.DOTALL).group(1)
    notebook = re.search(r"### In a notebook\n\n```python\n(.*?)```", README, re.DOTALL).group(1)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_measurements").symlink_to(ROOT / "sample_measurements")
    exec(compile(script + notebook, "README.md", "exec"), {})
    assert len(capsys.readouterr().out.splitlines()) == 5
    assert (tmp_path / "cabin-plan.json").exists()
