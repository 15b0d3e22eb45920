"""What may be said on the command line, apart from what is then done."""

import pytest

from roomeq.cli.arguments import command_parser


@pytest.fixture(scope="module")
def parser():
    return command_parser()


def commands_of(parser):
    action = next(entry for entry in parser._actions if entry.dest == "command")
    return action.choices


def test_every_command_has_a_line_and_a_page_of_its_own(parser):
    page = parser.format_help()
    assert "exit status" in page
    for name, command in commands_of(parser).items():
        assert f"\n    {name} " in page
        assert len(command.description) > 30
        for action in command._actions:
            assert action.help, f"{name}: {action.dest} is not explained"


@pytest.mark.parametrize("command", ["check", "propose"])
def test_what_is_not_said_is_not_known(parser, command):
    # a default here would look like something stated beside a room file
    found = parser.parse_args([command, "folder"])
    assert found.room == ["folder"]
    for name in ("source", "device", "low_pass", "crossover", "lower_limit"):
        assert getattr(found, name) is None
    assert found.json is False


@pytest.mark.parametrize(
    "words",
    [
        ["check"],
        ["check", "a.txt", "--source", "subs"],
        ["check", "a.txt", "--crossover", "low"],
        ["check", "a.txt", "--low-pass", "butterworth", "2"],
        ["show"],
        ["sheet", "p.json"],
        ["batch", "room"],
        ["places", "room", "--most", "5"],
    ],
)
def test_what_cannot_be_meant_is_refused_with_status_two(parser, words, capsys):
    with pytest.raises(SystemExit) as stop:
        parser.parse_args(words)
    assert stop.value.code == 2
    assert "usage: roomeq" in capsys.readouterr().err
