"""What may be said on the command line.

Conventions
-----------
Only the standard library is loaded here, and that only when a parser is made: ``--help`` must be
quick. Frequencies in Hz, times in s, levels in dB.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

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

_COMMANDS = {
    "start": (
        "write a room.toml to begin with, from what lies in a folder",
        "Look at the files of a folder (text exports, typed levels, recorded sweeps "
        "beside the sweep's JSON, a microphone's file), write a commented room.toml with what they "
        "tell and every other key explained, and check the room. A room.toml that exists is left "
        "as it is.",
    ),
    "check": (
        "look at a room's measurements",
        "Read a room's measurements and say what they hold, how the seats differ and "
        "what looks wrong. Nothing is written.",
    ),
    "join": (
        "join subwoofer and mains",
        "Choose delay and polarity of the subwoofer against the mains, and low-passes "
        "to switch off; tell what bands would still do, and rank the corners and slopes on offer. "
        "The room file needs measurements of subwoofer and of mains against one time reference, or "
        "levels of both, of their sum and of their difference. Nothing is written unless --plan is "
        "given.",
    ),
    "propose": (
        "propose band gains for a room",
        "Choose band gains within the limits, predict every seat, and print what to "
        "set and why. Nothing is written unless --plan is given.",
    ),
    "verify": (
        "compare a new measurement with a plan",
        "Compare measurements taken with the plan's settings in force with what was "
        "predicted, and say what is likely wrong where it is not: settings, filters, polarity, "
        "delay, files or microphones; and which settings that the new room file states are not the "
        "plan's. Nothing is written.",
    ),
    "plot": (
        "write pictures of a room or a plan",
        "Write every picture that the measurements bear, and those of the proposal "
        "for them; or those of a saved plan. Earlier pictures of the same names are replaced, "
        "no other file is. Needs the extra: pip install 'roomeq[report]'.",
    ),
    "sweep": (
        "write a test sweep to play and record",
        "Write an exponential sweep as a WAV and, beside it, a JSON that lets any "
        "later recording of it be deconvolved. Nothing is played. Defaults are quiet and slow; "
        "read the cautions that are printed.",
    ),
    "compare": (
        "compare two surveys of one room",
        "Say what has changed in a room from one survey to another, seat by seat and "
        "band by band, and what may explain it, without a plan. Nothing is written.",
    ),
    "device": (
        "measure what a device really does",
        "Tell centres, Q, real gains and filters of a device from responses with "
        "one thing or a few moved, against a flat one: at the terminals, or by a microphone "
        "close to the cone that stays where it is. Writes a profile that room files can name; "
        "no file is ever replaced.",
    ),
    "batch": (
        "propose for many rooms",
        "Propose band gains for many rooms, several at a time: a plan for each and one table of "
        "all go into a folder as they come. A room that fails is recorded with why, and the rest "
        "go on. A run that was stopped goes on with --resume.",
    ),
    "voice": (
        "one setting of a model for many rooms",
        "Choose the one setting of a model's bands that does best over rooms, tell what each room "
        "loses against its own setting, and how a voicing on fewer rooms does in the others. "
        "Nothing is written unless --plan or --plot is given.",
    ),
    "places": (
        "say where subwoofers should stand",
        "From measurements of one subwoofer at several places (place = ... in the room "
        "file): which place is best, which two, three or four together, what each would be set to, "
        "and what one more buys. Nothing is written.",
    ),
    "show": ("print a saved plan", "Print a plan that propose --plan wrote."),
    "keys": (
        "explain the keys of room.toml and of device profiles",
        "Print what each key means, its unit and range, what holds without it, and an "
        "example: of all keys, of one table, or of one key.",
    ),
    "sheet": (
        "write a settings sheet to print",
        "Write saved plans as one HTML file: what to set, in order, and the "
        "evidence. Several plans of one room, such as music and film, stand side by side under "
        "the names of their files. Needs the extra: pip install 'roomeq[report]'.",
    ),
}
"""What each does, in a few words and in some more."""


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
        for name, (short, long) in _COMMANDS.items()
    )
    start, check, join, propose, verify, plot, sweep, compare, device, *several = commands
    batch, voice, places, show, keys, sheet = several
    start.add_argument("folder", metavar="FOLDER", help="the folder of the measurements")
    start.set_defaults(json=False, detail=False)
    _add_room_arguments(check)
    _add_detail(check, "what each answer rests on, each file, decay and distortion")
    join.add_argument("room", nargs=1, metavar="ROOM", help="a folder with room.toml, or that file")
    _flag(join, "json", "print JSON instead of tables")
    join.add_argument(
        "--plan", metavar="FILE", help="also keep the joining as a plan, the bands as they are"
    )
    _add_made(join)
    _add_detail(join, "what the filters do, and what the answers rest on")
    _add_room_arguments(propose)
    _flag(
        propose,
        "best",
        "propose the best setting itself, not one within 2 %% of what it gains that moves "
        "fewer bands",
    )
    propose.add_argument("--plan", metavar="FILE", help="also keep the plan as a JSON file")
    _add_made(propose)
    for command in (join, propose):
        _flag(command, "force", "replace the plan of another room, if FILE is one")
    _add_detail(propose, _OF_A_PLAN)
    propose.add_argument(
        "--in-force",
        metavar="FILE",
        help="start from the gains that verify --json found in force, kept in this file; or from "
        "those of a plan, such as a model's voicing",
    )
    verify.add_argument("plan", metavar="PLAN", help="the JSON file of propose --plan")
    verify.add_argument(
        "--other",
        action="append",
        default=[],
        metavar="PLAN",
        help="a further plan whose settings may be in force instead (may be given again)",
    )
    _flag(verify, "force", "also with a plan for a room of another name")
    verify.add_argument(
        "--plot", metavar="FOLDER", help="also write pictures of it into this folder"
    )
    _add_room_arguments(verify, nargs="*")
    _add_plot(plot)
    _add_sweep(sweep)
    for name, which in (("room", "earlier"), ("after", "later")):
        text = f"the {which} survey: a folder with room.toml, or that file"
        compare.add_argument(name, metavar={"room": "BEFORE"}.get(name, "AFTER"), help=text)
    _flag(compare, "force", "also with rooms of two different names")
    _flag(compare, "json", "print JSON instead of tables")
    _add_device(device)
    _add_batch(batch)
    _add_voice(voice)
    show.add_argument("plan", metavar="PLAN", help="the JSON file")
    _flag(show, "json", "print JSON instead of tables")
    _add_detail(show, _OF_A_PLAN)
    keys.add_argument("name", nargs="?", metavar="NAME", help="a table or key, as target, corner")
    _add_sheet(sheet)
    places.add_argument("room", metavar="FOLDER", help="a folder with room.toml, or that file")
    places.add_argument(
        "--most",
        type=int,
        choices=(1, 2, 3, 4),
        default=4,
        help="how many may stand together (%(default)s)",
    )
    _flag(places, "json", "print JSON instead of tables")
    _add_detail(places, "every choice that was searched in full")
    return parser


def _flag(parser: argparse.ArgumentParser, name: str, text: str) -> None:
    parser.add_argument(f"--{name}", action="store_true", help=text)


def _add_device(device: argparse.ArgumentParser) -> None:
    device.add_argument("profile", nargs="?", metavar="NAME.toml", help="the profile to write")
    _flag(device, "list", "list the profiles that come along")
    device.add_argument("--flat", metavar="FILE", help="response with all bands at 0, filters off")
    for name, what, text in (
        ("moved", "SPEC", "bands moved, as 40:-6 or 40:-6,63:+3 (level:-10 turns the level knob)"),
        ("low-pass", "HZ", "low-pass on, at this corner as the device calls it"),
        ("high-pass", "HZ", "high-pass on, at this corner as the device calls it"),
    ):
        device.add_argument(
            f"--{name}",
            nargs=2,
            action="append",
            default=[],
            metavar=(what, "FILE"),
            help=f"response with {text}; may be given again",
        )
    device.add_argument(
        "--device",
        metavar="PROFILE",
        default="nine_band",
        help="profile that says which bands there are, and what is not measured (%(default)s)",
    )
    _flag(device, "json", "print JSON instead of tables")


def _add_batch(batch: argparse.ArgumentParser) -> None:
    batch.add_argument("folder", nargs="+", metavar="FOLDER", help="a folder with room.toml")
    batch.add_argument(
        "--out", metavar="FOLDER", required=True, help="where plans and table go; made if needed"
    )
    batch.add_argument(
        "--jobs", metavar="N", type=int, help="rooms at a time (as many as there are processors)"
    )
    _flag(batch, "resume", "go on: what is finished in --out stands, what failed is tried again")
    _flag(batch, "best", "as of propose")
    _flag(batch, "plot", "also draw all rooms before and after, into --out")
    _flag(batch, "json", "print JSON instead of tables")


def _add_voice(voice: argparse.ArgumentParser) -> None:
    text = "a room file of its response outdoors or at the cone"
    voice.add_argument("room", nargs=1, metavar="MODEL.toml", help=text)
    voice.add_argument(
        "--rooms", nargs="+", default=[], metavar="FOLDER", help="rooms, as measured with it"
    )
    _flag(voice, "flat-source", "rooms of a flat source: the model's response is added to them")
    _flag(voice, "worst-tenth", "make the worst tenth of the rooms good, not their mean")
    voice.add_argument("--plan", metavar="FILE", help="also keep the setting as a plan")
    _flag(voice, "force", "replace the plan of another room, if FILE is one")
    voice.add_argument("--plot", metavar="FILE.png", help="also draw what each room loses")
    _add_made(voice)
    _flag(voice, "json", "print JSON instead of tables")


def _add_made(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--date", metavar="YYYY-MM-DD", help="of the plan, today by default")
    parser.add_argument("--by", metavar="NAME", help="who makes the plan")


_OF_A_PLAN = "what it was chosen from, the drive by bands, spread and recordings, every check"


def _add_detail(parser: argparse.ArgumentParser, what: str) -> None:
    _flag(parser, "detail", f"also tell {what}")


def _add_sheet(sheet: argparse.ArgumentParser) -> None:
    sheet.add_argument("plan", nargs="+", metavar="PLAN", help="JSON files of propose --plan")
    sheet.add_argument("--output", metavar="FILE", required=True, help="the HTML file to write")
    _flag(sheet, "mixed", "accept plans of different rooms or devices")


def _add_plot(plot: argparse.ArgumentParser) -> None:
    plot.set_defaults(detail=True)
    plot.add_argument(
        "--output", metavar="FOLDER", help="where to (default: NAME_pictures in this folder)"
    )
    plot.add_argument(
        "--only",
        nargs="+",
        default=[],
        metavar="NAME",
        help="these pictures (all by default); a wrong name is answered with the list",
    )
    plot.add_argument("--form", choices=("png", "svg"), default="png", help="png by default")
    _add_room_arguments(plot, what=f"{_ROOM_HELP}; or the JSON file of a plan")


def _add_room_arguments(
    parser: argparse.ArgumentParser, *, nargs: str = "+", what: str = _ROOM_HELP
) -> None:
    parser.add_argument("room", nargs=nargs, metavar="ROOM", help=what)
    _flag(parser, "json", "print JSON instead of tables")
    bare = parser.add_argument_group("for a bare list of text exports")
    bare.add_argument(
        "--source",
        choices=("sub", "mains", "both"),
        help="what played: the subwoofer alone (default), the mains alone, or both",
    )
    for key in READING:
        name, help_ = (
            f"--{key.replace('_', '-')}",
            f"{key.replace('_', ' ')}, if the text is unclear",
        )
        bare.add_argument(name, metavar="X", help=help_)
    bare.add_argument(
        "--device", metavar="PROFILE", help="profile name (default nine_band) or TOML file"
    )
    bare.add_argument(
        "--low-pass",
        nargs=3,
        metavar=("FAMILY", "ORDER", "HZ"),
        help="low-pass in the subwoofer's path, for example: linkwitz_riley 4 80 (order 4 is 24 dB "
        "per octave), or butterworth 2 100; --low-pass none if there is none",
    )
    bare.add_argument(
        "--crossover", metavar="HZ", type=float, help="its corner, if nothing else is known of it"
    )
    bare.add_argument(
        "--lower-limit", metavar="HZ", type=float, help="where the subwoofer itself is 6 dB down"
    )


def _add_sweep(sweep: argparse.ArgumentParser) -> None:
    sweep.add_argument("output", metavar="FILE.wav", help="the WAV to write; FILE.json goes beside")
    for name, kind, default, text in (
        ("start", float, 10.0, "first frequency, in Hz"),
        ("stop", float, 500.0, "last frequency, in Hz"),
        ("length", float, 10.0, "length of one sweep, in s"),
        ("level", float, -30.0, "level in dBFS"),
        ("rate", int, 48000, "sample rate in Hz"),
        ("lead-in", float, 6.0, "quiet noise before the sweep, in s: wakes sleeping amplifiers"),
        ("tail", float, 4.0, "silence after each sweep, in s"),
        ("repeats", int, 1, "number of sweeps"),
        ("channels", int, 1, "channels of the file"),
        ("channel", int, 1, "channel that carries the sweep, counted from 1"),
    ):
        sweep.add_argument(
            f"--{name}", metavar="N", type=kind, default=default, help=f"{text} ({default:g})"
        )
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
        asked.add_argument(f"--{name}", metavar="TEXT", default="", help=text)
    _flag(sweep, "force", "replace files that exist")
