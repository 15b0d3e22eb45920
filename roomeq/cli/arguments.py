"""What may be said on the command line.

Conventions
-----------
Only the standard library is loaded here, and that only when a parser is made: ``--help`` must be
quick. Frequencies in Hz, times in s, levels in dB.
"""

from __future__ import annotations

import re
import textwrap
from functools import cache
from typing import TYPE_CHECKING, Any

from roomeq.report.text.safety import SAFETY

if TYPE_CHECKING:
    import argparse

READING = (
    *("frequency_column", "level_column", "phase_column", "frequency_unit", "level_unit"),
    *("phase_unit", "decimal", "delimiter", "encoding"),
)
"""What may be said on how text exports are read, found out by default."""

_DESCRIPTION = """\
Calibrate bass: read microphone measurements of a room, propose gains for the
fixed bands of a subwoofer's equaliser, and predict every seat.
"""

_EPILOG = """\
how to go about it
  1. Measure the subwoofer alone at every seat and export text files (frequency,
     level, phase if you have it). Volume down first.
  2. Put them into a folder, named after their seats, or simply name the files.
     roomeq start FOLDER          a room.toml to begin with (keys: roomeq keys)
  3. roomeq check FOLDER          what was measured, what looks wrong
  4. roomeq propose FOLDER --plan PLAN
                                  what to set, what it will do, and why
     roomeq sheet PLAN --output SHEET
                                  the same as a page to print and leave there
     roomeq join FOLDER           subwoofer against mains: delay, polarity
     roomeq plot FOLDER           pictures of all that, by name
  5. Set it, measure again, and
     roomeq verify PLAN FOLDER    did it come true?

exit status
  0 done    1 done, but read what was found    2 could not

safety
"""

_ROOM_HELP = "a folder with room.toml, that file itself, or one or more text exports"

_COMMANDS = """
start: write a room.toml to begin with, from what lies in a folder |
    Look at the files of a folder (text exports, typed levels, recorded sweeps beside the sweep's
    JSON, a microphone's file), write a commented room.toml with what they tell and every other key
    explained, and check the room. A room.toml that exists is left as it is.
check: look at a room's measurements |
    Read a room's measurements and say what they hold, how the seats differ and what looks wrong.
    Nothing is written.
join: join subwoofer and mains |
    Choose delay and polarity of the subwoofer against the mains, and low-passes to switch off; tell
    what bands would still do, and rank the corners and slopes on offer. The room file needs
    measurements of subwoofer and of mains against one time reference, or levels of both, of their
    sum and of their difference. Nothing is written unless --plan is given.
propose: propose band gains for a room |
    Choose band gains within the limits, predict every seat, and print what to set and why. Nothing
    is written unless --plan is given.
verify: compare a new measurement with a plan |
    Compare measurements taken with the plan's settings in force with what was predicted, and say
    what is likely wrong where it is not: settings, filters, polarity, delay, files or microphones;
    and which settings that the new room file states are not the plan's. Nothing is written.
plot: write pictures of a room or a plan |
    Write every picture that the measurements bear, and those of the proposal for them; or those of
    a saved plan. Earlier pictures of the same names are replaced, no other file is. Needs the
    extra: pip install 'roomeq[report]'.
sweep: write a test sweep to play and record |
    Write an exponential sweep as a WAV and, beside it, a JSON that lets any later recording of it
    be deconvolved. Nothing is played. Defaults are quiet and slow; read the cautions that are
    printed.
compare: compare two surveys of one room |
    Say what has changed in a room from one survey to another, seat by seat and band by band, and
    what may explain it, without a plan. Nothing is written.
device: measure what a device really does |
    Tell centres, Q, real gains and filters of a device from responses with one thing or a few
    moved, against a flat one: at the terminals, or by a microphone close to the cone that stays
    where it is. Writes a profile that room files can name; no file is ever replaced.
batch: propose for many rooms |
    Propose band gains for many rooms, several at a time: a plan for each and one table of all go
    into a folder as they come. A room that fails is recorded with why, and the rest go on. A run
    that was stopped goes on with --resume.
voice: one setting of a model for many rooms |
    Choose the one setting of a model's bands that does best over rooms, tell what each room loses
    against its own setting, and how a voicing on fewer rooms does in the others. Nothing is written
    unless --plan or --plot is given.
places: say where subwoofers should stand |
    From measurements of one subwoofer at several places (place = ... in the room file): which place
    is best, which two, three or four together, what each would be set to, and what one more buys.
    Nothing is written.
show: print a saved plan |
    Print a plan that propose --plan wrote.
keys: explain the keys of room.toml and of device profiles |
    Print what each key means, its unit and range, what holds without it, and an example: of all
    keys, of one table, or of one key.
sheet: write a settings sheet to print |
    Write saved plans as one HTML file: what to set, in order, and the evidence. Several plans of
    one room, such as music and film, stand side by side under the names of their files. Needs the
    extra: pip install 'roomeq[report]'.
"""
"""What each does, in a few words and, indented, in some more."""


@cache
def command_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    import argparse

    plain = argparse.RawDescriptionHelpFormatter
    safety = "\n".join(textwrap.indent(textwrap.fill(one, 76), "  ") for one in SAFETY)
    parser = argparse.ArgumentParser(
        prog="roomeq", description=_DESCRIPTION, epilog=_EPILOG + safety, formatter_class=plain
    )
    _flag(parser, "version", "print the version and exit")
    _flag(parser, "debug", "show where in the code something failed")
    added = parser.add_subparsers(dest="command", metavar="COMMAND")
    commands = (
        added.add_parser(name, help=short, description=long)
        for name, short, long in re.findall(
            r"^(\w+): (.*) \|\n((?: .*\n)+)", _COMMANDS, re.MULTILINE
        )
    )
    start, check, join, propose, verify, plot, sweep, compare, device, *several = commands
    batch, voice, places, show, keys, sheet = several
    _named(start, "folder", "FOLDER", "the folder of the measurements")
    start.set_defaults(json=False, detail=False)
    _add_room_arguments(check)
    _add_detail(check, "what each answer rests on, each file, decay and distortion")
    _named(join, "room", "ROOM", "a folder with room.toml, or that file", nargs=1)
    _option(join, "plan", "FILE", "also keep the joining as a plan, the bands as they are")
    _add_detail(join, "what the filters do, and what the answers rest on")
    _add_room_arguments(propose)
    text = "propose the best setting itself, not one within 2 %% of what it gains that moves fewer"
    _flag(propose, "best", f"{text} bands")
    _option(propose, "plan", "FILE", "also keep the plan as a JSON file")
    _add_detail(propose, _OF_A_PLAN)
    text = (
        "start from the gains that verify --json found in force, kept in this file; or from those"
    )
    _option(propose, "in-force", "FILE", f"{text} of a plan, such as a model's voicing")
    _named(verify, "plan", "PLAN", "the JSON file of propose --plan")
    text = "a further plan whose settings may be in force instead (may be given again)"
    _option(verify, "other", "PLAN", text, action="append", default=[])
    _flag(verify, "force", "also with a plan for a room of another name")
    _option(verify, "plot", "FOLDER", "also write pictures of it into this folder")
    _add_room_arguments(verify, nargs="*")
    _add_plot(plot)
    _add_sweep(sweep)
    _named(compare, "room", "BEFORE", "the earlier survey: a folder with room.toml, or that file")
    _named(compare, "after", "AFTER", "the later survey: a folder with room.toml, or that file")
    _flag(compare, "force", "also with rooms of two different names")
    _add_device(device)
    _add_batch(batch)
    _add_voice(voice)
    _named(show, "plan", "PLAN", "the JSON file")
    _add_detail(show, _OF_A_PLAN)
    _named(keys, "name", "NAME", "a table or key, as target, corner", nargs="?")
    _named(sheet, "plan", "PLAN", "JSON files of propose --plan", nargs="+")
    _option(sheet, "output", "FILE", "the HTML file to write", required=True)
    _flag(sheet, "mixed", "accept plans of different rooms or devices")
    _named(places, "room", "FOLDER", "a folder with room.toml, or that file")
    text = "how many may stand together (%(default)s)"
    _option(places, "most", None, text, type=int, choices=(1, 2, 3, 4), default=4)
    _add_detail(places, "every choice that was searched in full")
    for command in (join, propose, voice):
        _flag(command, "force", "replace the plan of another room, if FILE is one")
        _option(command, "date", "YYYY-MM-DD", "of the plan, today by default")
        _option(command, "by", "NAME", "who makes the plan")
    for name, command in added.choices.items():
        if name not in ("start", "sweep", "keys", "sheet"):
            _flag(command, "json", "print JSON instead of tables")
    return parser


_OF_A_PLAN = "what it was chosen from, the drive by bands, spread and recordings, every check"


def _flag(parser: argparse.ArgumentParser, name: str, text: str) -> None:
    parser.add_argument(f"--{name}", action="store_true", help=text)


def _named(parser: argparse.ArgumentParser, name: str, shown: str, text: str, **how: Any) -> None:
    parser.add_argument(name, metavar=shown, help=text, **how)


def _option(
    parser: argparse._ActionsContainer,
    name: str,
    shown: str | tuple[str, ...] | None,
    text: str,
    **how: Any,
) -> None:
    parser.add_argument(f"--{name}", metavar=shown, help=text, **how)


def _add_detail(parser: argparse.ArgumentParser, what: str) -> None:
    _flag(parser, "detail", f"also tell {what}")


def _add_device(device: argparse.ArgumentParser) -> None:
    _named(device, "profile", "NAME.toml", "the profile to write", nargs="?")
    _flag(device, "list", "list the profiles that come along")
    _option(device, "flat", "FILE", "response with all bands at 0, filters off")
    for name, what, text in (
        ("moved", "SPEC", "bands moved, as 40:-6 or 40:-6,63:+3 (level:-10 turns the level knob)"),
        ("low-pass", "HZ", "low-pass on, at this corner as the device calls it"),
        ("high-pass", "HZ", "high-pass on, at this corner as the device calls it"),
    ):
        again = f"response with {text}; may be given again"
        _option(device, name, (what, "FILE"), again, nargs=2, action="append", default=[])
    text = "profile that says which bands there are, and what is not measured (%(default)s)"
    _option(device, "device", "PROFILE", text, default="nine_band")


def _add_batch(batch: argparse.ArgumentParser) -> None:
    _named(batch, "folder", "FOLDER", "a folder with room.toml", nargs="+")
    _option(batch, "out", "FOLDER", "where plans and table go; made if needed", required=True)
    _option(batch, "jobs", "N", "rooms at a time (as many as there are processors)", type=int)
    _flag(batch, "resume", "go on: what is finished in --out stands, what failed is tried again")
    _flag(batch, "best", "as of propose")
    _flag(batch, "plot", "also draw all rooms before and after, into --out")


def _add_voice(voice: argparse.ArgumentParser) -> None:
    text = "a room file of its response outdoors or at the cone"
    _named(voice, "room", "MODEL.toml", text, nargs=1)
    _option(voice, "rooms", "FOLDER", "rooms, as measured with it", nargs="+", default=[])
    _flag(voice, "flat-source", "rooms of a flat source: the model's response is added to them")
    _flag(voice, "worst-tenth", "make the worst tenth of the rooms good, not their mean")
    _option(voice, "plan", "FILE", "also keep the setting as a plan")
    _option(voice, "plot", "FILE.png", "also draw what each room loses")


def _add_plot(plot: argparse.ArgumentParser) -> None:
    plot.set_defaults(detail=True)
    _option(plot, "output", "FOLDER", "where to (default: NAME_pictures in this folder)")
    text = "these pictures (all by default); a wrong name is answered with the list"
    _option(plot, "only", "NAME", text, nargs="+", default=[])
    plot.add_argument("--form", choices=("png", "svg"), default="png", help="png by default")
    _add_room_arguments(plot, what=f"{_ROOM_HELP}; or the JSON file of a plan")


def _add_room_arguments(
    parser: argparse.ArgumentParser, *, nargs: str = "+", what: str = _ROOM_HELP
) -> None:
    _named(parser, "room", "ROOM", what, nargs=nargs)
    bare = parser.add_argument_group("for a bare list of text exports")
    text = "what played: the subwoofer alone (default), the mains alone, or both"
    bare.add_argument("--source", choices=("sub", "mains", "both"), help=text)
    for key in READING:
        words = key.replace("_", " ")
        _option(bare, words.replace(" ", "-"), "X", f"{words}, if the text is unclear")
    _option(bare, "device", "PROFILE", "profile name (default nine_band) or TOML file")
    text = (
        "low-pass in the subwoofer's path, for example: linkwitz_riley 4 80 (order 4 is 24 dB "
        "per octave), or butterworth 2 100; --low-pass none if there is none"
    )
    _option(bare, "low-pass", ("FAMILY", "ORDER", "HZ"), text, nargs=3)
    _option(bare, "crossover", "HZ", "its corner, if nothing else is known of it", type=float)
    _option(bare, "lower-limit", "HZ", "where the subwoofer itself is 6 dB down", type=float)


def _add_sweep(sweep: argparse.ArgumentParser) -> None:
    _named(sweep, "output", "FILE.wav", "the WAV to write; FILE.json goes beside")
    for name, default, text in (
        ("start", 10.0, "first frequency, in Hz"),
        ("stop", 500.0, "last frequency, in Hz"),
        ("length", 10.0, "length of one sweep, in s"),
        ("level", -30.0, "level in dBFS"),
        ("rate", 48000, "sample rate in Hz"),
        ("lead-in", 6.0, "quiet noise before the sweep, in s: wakes sleeping amplifiers"),
        ("tail", 4.0, "silence after each sweep, in s"),
        ("repeats", 1, "number of sweeps"),
        ("channels", 1, "channels of the file"),
        ("channel", 1, "channel that carries the sweep, counted from 1"),
    ):
        _option(sweep, name, "N", f"{text} ({default:g})", type=type(default), default=default)
    asked = sweep.add_argument_group(
        "what else is in the chain (kept in the JSON: later nobody knows)"
    )
    for name, text in (
        ("compression", "dynamic-range compression: off?"),
        ("correction", "correction upstream (processor, player): off?"),
        ("crossover", "state of the crossover"),
        ("volume", "volume setting"),
        ("connection", "output used"),
        ("equaliser", "equaliser: bypassed, or set to what"),
    ):
        _option(asked, name, "TEXT", text, default="")
    _flag(sweep, "force", "replace files that exist")
