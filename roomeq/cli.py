"""Command line: arguments, calls, exit status; the only place that prints.

Conventions
-----------
Exit status 0: done, nothing to worry about. 1: done, and something was found that wants a look: a
doubtful measurement, a reservation about the proposal, or no change worth proposing. 2: could not.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    import argparse

    from roomeq.device.crossover import CrossoverFilter, FilterFamily
    from roomeq.room import Room

__all__ = ["main"]

_DESCRIPTION = """\
Calibrate bass: read microphone measurements of a room, propose gains for the fixed bands of a
subwoofer's equaliser, and predict every seat.
"""

_EPILOG = """\
how to go about it
  1. Measure the subwoofer alone at every seat and export text files (frequency, level, phase if
     you have it). Volume down first.
  2. Put them into a folder and write a room.toml beside them (see sample_measurements), or simply
     name the files.
  3. roomeq check FOLDER          what was measured, how the seats differ, what looks wrong
  4. roomeq propose FOLDER --plan PLAN
                                  what to set, what it will do, and why
     roomeq sheet PLAN --output SHEET
                                  the same as a page to print and leave in the room
  5. Set it, measure again, and
     roomeq verify PLAN FOLDER    did it come true?

exit status
  0 done    1 done, but read what was found    2 could not
"""

_ROOM_HELP = "a folder with room.toml, that file itself, or one or more text exports"


def _parser() -> argparse.ArgumentParser:
    import argparse

    plain = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(
        prog="roomeq", description=_DESCRIPTION, epilog=_EPILOG, formatter_class=plain
    )
    parser.add_argument("--version", action="store_true", help="print the version and exit")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    check = commands.add_parser(
        "check",
        help="look at a room's measurements",
        description="Read a room's measurements and say what they hold, how the seats differ and "
        "what looks wrong. Nothing is written.",
    )
    _add_room_arguments(check)
    propose = commands.add_parser(
        "propose",
        help="propose band gains for a room",
        description="Choose band gains within the limits, predict every seat, and print what to "
        "set and why. Nothing is written unless --plan is given.",
    )
    _add_room_arguments(propose)
    propose.add_argument("--plan", metavar="FILE", help="also keep the plan as a JSON file")
    verify = commands.add_parser(
        "verify",
        help="compare a new measurement with a plan",
        description="Compare measurements taken with the plan's settings in force with what was "
        "predicted, and say what was probably set wrongly. Nothing is written.",
    )
    verify.add_argument("plan", metavar="PLAN", help="the JSON file of propose --plan")
    _add_room_arguments(verify)
    show = commands.add_parser(
        "show", help="print a saved plan", description="Print a plan that propose --plan wrote."
    )
    show.add_argument("plan", metavar="PLAN", help="the JSON file")
    show.add_argument("--json", action="store_true", help="print JSON instead of tables")
    _add_sheet(
        commands.add_parser(
            "sheet",
            help="write a settings sheet to print",
            description="Write saved plans as one HTML file: what to set, in order, and the "
            "evidence. Several plans of one room, such as music and film, stand side by side under "
            "the names of their files. Needs the extra: pip install 'roomeq[report]'.",
        )
    )
    return parser


def _add_sheet(sheet: argparse.ArgumentParser) -> None:
    sheet.add_argument("plan", nargs="+", metavar="PLAN", help="JSON files of propose --plan")
    sheet.add_argument("--output", metavar="FILE", required=True, help="the HTML file to write")
    sheet.add_argument(
        "--mixed", action="store_true", help="accept plans of different rooms or devices"
    )


def _add_room_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("room", nargs="+", metavar="ROOM", help=_ROOM_HELP)
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")
    bare = parser.add_argument_group("for a bare list of text exports")
    bare.add_argument(
        "--source",
        choices=("sub", "both"),
        default="sub",
        help="what played: the subwoofer alone (default), or with the mains",
    )
    bare.add_argument(
        "--device", metavar="PROFILE", default="nine_band", help="profile name or TOML file"
    )
    bare.add_argument(
        "--low-pass",
        nargs=3,
        metavar=("FAMILY", "ORDER", "HZ"),
        help="low-pass in the subwoofer's path, for example: linkwitz_riley 4 80 (order 4 is 24 dB "
        "per octave), or butterworth 2 100",
    )
    bare.add_argument(
        "--crossover", metavar="HZ", type=float, help="its corner, if nothing else is known of it"
    )
    bare.add_argument(
        "--lower-limit", metavar="HZ", type=float, help="where the subwoofer itself is 6 dB down"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        Those of the process by default.
    """
    parser = _parser()
    options = parser.parse_args(arguments)
    if options.version:
        from importlib.metadata import version

        print(f"roomeq {version('roomeq')}")
        return 0
    if options.command is None:
        parser.print_help()
        return 2
    # many small matrix products: threads of the linear algebra library only get in each other's way
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from roomeq.errors import RoomeqError

    try:
        if options.command in ("show", "sheet"):
            return _show(options) if options.command == "show" else _sheet(options)
        commands = {"check": _check, "propose": _propose, "verify": _verify}
        from roomeq.report.terminal import progress

        with progress("reading the measurements", sys.stderr):
            room = _room(options)
        return commands[options.command](room, options)
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        print(f"roomeq: {place}{error.strerror or error}", file=sys.stderr)
    except (RoomeqError, ValueError) as error:
        print(f"roomeq: {error}", file=sys.stderr)
    return 2


def _room(options: argparse.Namespace) -> Room:
    from pathlib import Path

    from roomeq.room_reading import read_room, room_from_exports

    named: list[str] = options.room
    if len(named) == 1 and (Path(named[0]).is_dir() or named[0].endswith(".toml")):
        return read_room(named[0])
    return room_from_exports(
        named,
        source=options.source,
        profile=options.device,
        low_pass=_low_pass(options.low_pass),
        crossover=options.crossover,
        lower_limit=options.lower_limit,
    )


def _low_pass(words: Sequence[str] | None) -> CrossoverFilter | None:
    """Return the filter that three words describe."""
    if words is None:
        return None
    from roomeq.device.crossover import CrossoverFilter

    family, order, corner = words
    try:
        return CrossoverFilter(
            kind="low_pass",
            family=cast("FilterFamily", family),
            order=int(order),
            corner=float(corner),
        )
    except ValueError as error:
        raise ValueError(f"--low-pass {' '.join(words)}: {error}") from None


def _check(room: Room, options: argparse.Namespace) -> int:
    from roomeq.overview import room_overview
    from roomeq.report.room_text import room_text

    overview = room_overview(room)
    print(overview.to_json().decode() if options.json else room_text(overview), end="")
    return 1 if room.findings else 0


def _propose(room: Room, options: argparse.Namespace) -> int:
    from roomeq.plan import write_plan
    from roomeq.proposal import propose
    from roomeq.report.plan_text import plan_text
    from roomeq.report.terminal import bars_wanted, progress

    with progress("choosing band gains", sys.stderr):
        plan = propose(room)
    if options.plan:
        write_plan(plan, options.plan)
    bars = bars_wanted(sys.stdout)
    print(plan.to_json().decode() if options.json else plan_text(plan, bars=bars), end="")
    if options.plan and not options.json:
        print(f"\nPlan kept in {options.plan}")
    return 1 if room.findings or plan.reservations or plan.no_change else 0


def _verify(room: Room, options: argparse.Namespace) -> int:
    from roomeq.plan import read_plan
    from roomeq.report.verification_text import verification_text
    from roomeq.verification import verify

    found = verify(read_plan(options.plan), room.survey)
    print(found.to_json().decode() if options.json else verification_text(found), end="")
    return 0 if found.agrees else 1


def _show(options: argparse.Namespace) -> int:
    from roomeq.plan import read_plan
    from roomeq.report.plan_text import plan_text
    from roomeq.report.terminal import bars_wanted

    plan = read_plan(options.plan)
    bars = bars_wanted(sys.stdout)
    print(plan.to_json().decode() if options.json else plan_text(plan, bars=bars), end="")
    return 0


def _sheet(options: argparse.Namespace) -> int:
    from pathlib import Path

    from roomeq.plan import read_plan
    from roomeq.report.settings_sheet import plan_names, write_settings_sheet

    named: list[str] = options.plan
    output = Path(options.output)
    if output.resolve() in [Path(path).resolve() for path in named]:
        raise ValueError(f"{output} is one of the plans; give another file with --output")
    names = plan_names(named)
    plans = {name: read_plan(path) for name, path in zip(names, named, strict=True)}
    write_settings_sheet(plans, output, mixed=options.mixed)
    print(f"Settings sheet kept in {output}")
    return 0
