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
from io import TextIOWrapper
from typing import TYPE_CHECKING, Literal, cast

from roomeq.cli.arguments import READING, command_parser

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from roomeq.device.crossover import CrossoverFilter, FilterFamily
    from roomeq.jobs.join import RoomJoining
    from roomeq.room.room import Room

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        Those of the process by default.
    """
    parser = command_parser()
    options = parser.parse_args(_spelled_out(sys.argv[1:] if arguments is None else arguments))
    if options.version:
        from importlib.metadata import version

        print(f"roomeq {version('roomeq')}")
        return 0
    if options.command is None:
        parser.print_help()
        return 2
    # many small matrix products: threads of the linear algebra library only get in each other's way
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):  # a name that the output cannot encode is not a failure
        if isinstance(stream, TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="backslashreplace")
    from roomeq.base.errors import RoomeqError

    try:
        without_room = {"show": _show, "sheet": _sheet, "sweep": _sweep}
        if options.command in without_room:
            return without_room[options.command](options)
        commands = {"check": _check, "join": _join, "propose": _propose, "verify": _verify}
        from roomeq.report.text.terminal import progress

        with progress("reading the measurements", sys.stderr):
            room = _room(options)
        return commands[options.command](room, options)
    except BrokenPipeError:  # whoever read the output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        print(f"roomeq: {place}{error.strerror or error}", file=sys.stderr)
    except (RoomeqError, ValueError) as error:
        print(f"roomeq: {error}", file=sys.stderr)
    return 2


def _spelled_out(arguments: Sequence[str]) -> list[str]:
    """Return the arguments with ``--low-pass none`` as the three words that a low-pass takes."""
    spelled: list[str] = []
    for word in arguments:
        of_low_pass = bool(spelled) and spelled[-1] == "--low-pass" and word == "none"
        spelled += ["none", "0", "0"] if of_low_pass else [word]
    return spelled


def _room(options: argparse.Namespace) -> Room:
    from pathlib import Path

    from roomeq.importers.room import DEFAULT_PROFILE, read_room, room_from_exports

    named: list[str] = options.room
    if options.command == "verify" and (Path(options.plan).is_dir() or named[0].endswith(".json")):
        raise ValueError(f"{options.plan}: the plan comes first, then the room: verify PLAN ROOM")
    if len(named) == 1 and (Path(named[0]).is_dir() or named[0].endswith(".toml")):
        _refuse_bare_options(options)
        return read_room(named[0], detail=getattr(options, "detail", False))
    if options.command == "join":
        raise ValueError(
            f"{named[0]}: join needs a folder with room.toml, which says where and with what it "
            "was measured"
        )
    for name in named:
        if Path(name).is_dir() or name.endswith(".toml"):
            raise ValueError(
                f"{name}: give one folder with room.toml (or that file) by itself, or text exports"
            )
        if not Path(name).exists():
            raise ValueError(f"{name}: there is no such file or folder{_nearest(Path(name))}")
    said = {key: getattr(options, key) for key in READING}
    return room_from_exports(
        named,
        source=options.source or "sub",
        reading={key: int(x) if x.isdigit() else x for key, x in said.items() if x},
        profile=options.device or DEFAULT_PROFILE,
        low_pass=_low_pass(options.low_pass),
        crossover=options.crossover,
        lower_limit=options.lower_limit,
    )


def _nearest(path: Path) -> str:
    """Name what lies beside a path that is not there and was probably meant."""
    import difflib

    beside = [entry.name for entry in path.parent.iterdir()] if path.parent.is_dir() else []
    close = difflib.get_close_matches(path.name, beside, n=1)
    return f" (nearest there: {close[0]!r})" if close else ""


def _refuse_bare_options(options: argparse.Namespace) -> None:
    """Raise if something is stated twice: a room file has keys for it, and would win in silence."""
    keys = {
        "source": 'source = "..." of [[measurements]]',
        **{key: f"{key} of [[measurements]]" for key in READING},
        "device": 'profile = "..." of [device]',
        "low_pass": "a table [[path]]",
        "crossover": "corner of [crossover]",
        "lower_limit": "lower_limit of [target]",
    }
    for name, key in keys.items():
        if getattr(options, name, None) is not None:
            raise ValueError(
                f"--{name.replace('_', '-')} is for a bare list of text exports; in a room file "
                f"write {key}"
            )


def _low_pass(words: Sequence[str] | None) -> CrossoverFilter | Literal["none"] | None:
    """Return the filter that three words describe."""
    if words is None:
        return None
    if words[0] == "none":
        return "none"
    from roomeq.device.crossover import CrossoverFilter

    family, order, corner = words
    said = f"--low-pass {' '.join(words)}"
    try:
        numbers = int(order), float(corner)
    except ValueError:
        raise ValueError(
            f"{said}: needs a whole order and a corner in Hz, as in linkwitz_riley 4 80"
        ) from None
    try:
        return CrossoverFilter(
            kind="low_pass",
            family=cast("FilterFamily", family),
            order=numbers[0],
            corner=numbers[1],
        )
    except ValueError as error:
        raise ValueError(f"{said}: {error}") from None


def _check(room: Room, options: argparse.Namespace) -> int:
    from roomeq.jobs.check import room_overview
    from roomeq.jobs.joining.path import estimated_path
    from roomeq.report.text.room import room_text
    from roomeq.report.text.terminal import progress

    with progress("looking at the seats", sys.stderr):
        estimate = estimated_path(room)
        overview = room_overview(room, detail=options.detail, estimate=estimate)
    text = overview.to_json().decode() if options.json else room_text(overview, estimate=estimate)
    print(text, end="")
    return 1 if room.doubtful or overview.sum_doubtful or overview.path_doubtful else 0


def _join(room: Room, options: argparse.Namespace) -> int:
    from roomeq.jobs.join import join
    from roomeq.report.text.join import room_joining_text
    from roomeq.report.text.terminal import progress

    with progress("joining subwoofer and mains", sys.stderr):
        found = join(room)
    _say_alarms(room)
    _say(room.findings)
    print(found.to_json().decode() if options.json else room_joining_text(found), end="")
    if options.plan:
        _keep_joining(room, found, options)
    return 1 if room.doubtful or found.doubtful else 0


def _keep_joining(room: Room, found: RoomJoining, options: argparse.Namespace) -> None:
    """Write the plan of a joining that leaves bands and level, or raise with why there is none."""
    from roomeq.jobs.propose import propose
    from roomeq.plan.plan import write_plan

    sys.stdout.flush()  # the report stands before the refusal
    if found.settled is None:
        raise ValueError("no plan was kept: levels alone leave a question that is to be decided")
    plan = propose(room, keep_bands=True, joined=None if found.record else found.settled)
    if plan.joining is None:
        said = [text for text in plan.assumptions if "are not joined" in text]
        why = said[-1] if said else "the measured sum contradicts its parts"
        raise ValueError(f"no plan was kept: {why}")
    write_plan(plan, options.plan)
    if not options.json:
        print(f"\nPlan kept in {options.plan}")


def _propose(room: Room, options: argparse.Namespace) -> int:
    from roomeq.jobs.propose import propose
    from roomeq.plan.plan import write_plan
    from roomeq.report.text.plan import plan_text
    from roomeq.report.text.terminal import bars_wanted, progress

    if options.in_force:
        room = _as_in_force(room, options.in_force)
    with progress("choosing band gains", sys.stderr):
        plan = propose(room, best=options.best)
    if options.plan:
        write_plan(plan, options.plan)
    bars = bars_wanted(sys.stdout)
    _say(room.findings)
    print(plan.to_json().decode() if options.json else plan_text(plan, bars=bars), end="")
    if options.plan and not options.json:
        print(f"\nPlan kept in {options.plan}")
    return 1 if room.doubtful or plan.reservations or plan.no_change else 0


def _as_in_force(room: Room, path: str) -> Room:
    """Return the room with the gains that a verification found in force."""
    from dataclasses import replace

    import numpy as np

    from roomeq.plan.verification import read_in_force

    found = read_in_force(path, room=room.name)
    if set(found) != set(room.equaliser.labels):
        raise ValueError(f"{path} speaks of other bands than {', '.join(room.equaliser.labels)} Hz")
    gains = np.array([found[label] for label in room.equaliser.labels])
    told = f"the room was measured with the gains that {path} found in force, not those it states"
    return replace(
        room,
        present=replace(room.present, gains_db=gains, gains_stated=True),
        assumptions=(*room.assumptions, told),
    )


def _verify(room: Room, options: argparse.Namespace) -> int:
    from roomeq.jobs.verify import verify_room
    from roomeq.plan.plan import read_plan
    from roomeq.report.text.verification import verification_text

    alarmed = _say_alarms(room)
    others = {path: read_plan(path) for path in options.other}
    found = verify_room(read_plan(options.plan), room, others=others, other_room=options.force)
    print(found.to_json().decode() if options.json else verification_text(found), end="")
    as_planned = found.agrees and found.level.agrees and found.stated_as_planned
    return 0 if as_planned and not alarmed else 1


def _say_alarms(room: Room) -> bool:
    """Say beside the output what is wrong with recorded sweeps, and return whether anything is."""
    from roomeq.plan.recordings import recording_rows
    from roomeq.report.text.recordings import alarm_texts

    alarms = alarm_texts(recording_rows(room))
    _say(alarms)
    return bool(alarms)


def _say(texts: Sequence[str]) -> None:
    for text in texts:
        print(f"roomeq: {text}", file=sys.stderr)


def _show(options: argparse.Namespace) -> int:
    from roomeq.plan.plan import read_plan
    from roomeq.report.text.plan import plan_text
    from roomeq.report.text.terminal import bars_wanted

    plan = read_plan(options.plan)
    bars = bars_wanted(sys.stdout)
    print(plan.to_json().decode() if options.json else plan_text(plan, bars=bars), end="")
    return 0


def _sheet(options: argparse.Namespace) -> int:
    from pathlib import Path

    from roomeq.plan.plan import read_plan
    from roomeq.report.sheet.sheet import plan_names, write_settings_sheet
    from roomeq.report.text.terminal import progress

    named: list[str] = options.plan
    output = Path(options.output)
    if output.resolve() in [Path(path).resolve() for path in named]:
        raise ValueError(f"{output} is one of the plans; give another file with --output")
    names = plan_names(named)
    plans = {name: read_plan(path) for name, path in zip(names, named, strict=True)}
    with progress("writing the sheet", sys.stderr):
        write_settings_sheet(plans, output, mixed=options.mixed)
    print(f"Settings sheet kept in {output}")
    return 0


def _sweep(options: argparse.Namespace) -> int:
    from pathlib import Path

    from roomeq.analysis.sweeps.sweep import playback_signal
    from roomeq.base.recording import ChainConditions, SweepDescription
    from roomeq.importers.sweep_files import write_sweep
    from roomeq.report.text.sweeps import sweep_text
    from roomeq.report.text.terminal import progress

    if not options.lead_in >= 5.0:
        raise ValueError(
            f"--lead-in must be at least 5 s, got {options.lead_in:g} s: amplifiers with signal "
            "sensing wake late and would lose the lowest bands"
        )
    sweep = SweepDescription(
        start=options.start,
        stop=options.stop,
        length=options.length,
        level_dbfs=options.level,
        sample_rate=options.rate,
        lead_in=options.lead_in,
        tail=options.tail,
        repeats=options.repeats,
        channels=options.channels,
        channel=options.channel,
        conditions=ChainConditions(
            dynamic_range_compression=options.compression,
            upstream_correction=options.correction,
            crossover=options.crossover,
            volume=options.volume,
            output=options.connection,
            equaliser=options.equaliser,
        ),
    )
    output = Path(options.output)
    with progress("writing the sweep", sys.stderr):
        written = write_sweep(output, playback_signal(sweep), sweep=sweep, replace=options.force)
    print(sweep_text(sweep, files=[str(path) for path in written]), end="")
    return 0
