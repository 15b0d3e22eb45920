"""What each command does: reads, calls the library, prints, and says whether a look is wanted.

Conventions
-----------
Every function returns the exit status, 0 or 1; what cannot be done is raised.
"""

from __future__ import annotations

import argparse
import difflib
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any, Literal

import msgspec
import numpy as np

from roomeq.analysis.sweeps.sweep import playback_signal
from roomeq.base.files import leftovers, replacing
from roomeq.base.record import Record, json_text
from roomeq.base.recording import CHAIN_QUESTIONS, ChainConditions, SweepDescription
from roomeq.cli.arguments import READING
from roomeq.cli.saying import say
from roomeq.device.crossover import CrossoverFilter
from roomeq.importers.device_profile import (
    PROFILES,
    read_device,
    refuse_profile_file,
    shipped_profiles,
)
from roomeq.importers.folder import look_into
from roomeq.importers.room import DEFAULT_PROFILE, read_room, room_from_exports
from roomeq.importers.room_file.reading import ROOM_FILE_NAME
from roomeq.importers.sweep_files import write_sweep
from roomeq.jobs.batch import propose_many
from roomeq.jobs.check import room_overview
from roomeq.jobs.compare import compare
from roomeq.jobs.device import measure_device, write_measured_profile
from roomeq.jobs.join import RoomJoining, join
from roomeq.jobs.joining.path import estimated_path
from roomeq.jobs.places import rank_places
from roomeq.jobs.propose import propose
from roomeq.jobs.verify import verify
from roomeq.jobs.voice import rooms_needed, voice
from roomeq.plan.plan import Plan, is_a_plan, read_plan, refuse_plan_file, write_plan
from roomeq.plan.recordings import recording_rows
from roomeq.plan.verification import read_in_force
from roomeq.report.plots.pictures import Subject, check_pictures, write_picture, write_pictures
from roomeq.report.plots.rooms import plot_rooms, plot_voicing
from roomeq.report.sheet.sheet import plan_names, write_settings_sheet
from roomeq.report.text.comparison import comparison_text
from roomeq.report.text.device import device_text, profiles_text
from roomeq.report.text.join import room_joining_text
from roomeq.report.text.keys import keys_text
from roomeq.report.text.plan import plan_text
from roomeq.report.text.recordings import alarm_texts
from roomeq.report.text.room import room_text
from roomeq.report.text.room_file import room_file_text, start_text
from roomeq.report.text.rooms import batch_text, voicing_text
from roomeq.report.text.several import places_text
from roomeq.report.text.sweeps import sweep_text
from roomeq.report.text.terminal import bars_wanted, progress
from roomeq.report.text.verification import verification_text
from roomeq.room.room import Room


def run(options: argparse.Namespace) -> int:
    """Call the command that the options name and return its exit status."""
    commands = {"batch": _batch, "check": _check, "compare": _compare, "device": _device}
    commands |= {"join": _join, "keys": _keys, "places": _places, "plot": _plot}
    commands |= {"propose": _propose, "sheet": _sheet, "show": _show, "start": _start}
    commands |= {"sweep": _sweep, "verify": _verify, "voice": _voice}
    return commands[options.command](options)


def _read(options: argparse.Namespace) -> Room:
    """Return the room that is named; no plan of another room, or what is no plan, is in the way."""
    with progress("reading the measurements", sys.stderr):
        room = _room(options)
    if options.command in ("join", "propose", "voice") and options.plan:
        refuse_plan_file(options.plan, room=room.name, other_room=options.force)
        say(f"{p}: left by a run that was stopped" for p in leftovers(Path(options.plan)))
    return room


def _room(options: argparse.Namespace) -> Room:
    named: list[str] = options.room
    if len(named) == 1 and (Path(named[0]).is_dir() or named[0].endswith(".toml")):
        _refuse_bare_options(options)
        return read_room(named[0], detail=getattr(options, "detail", False))
    if options.command in ("join", "voice"):
        raise ValueError(
            f"{named[0]}: {options.command} needs a folder with room.toml, which says where and "
            "with what it was measured"
        )
    for name in named:
        if Path(name).is_dir() or name.endswith(".toml"):
            raise ValueError(
                f"{name}: give one folder with room.toml (or that file) by itself, or text exports"
            )
        if not Path(name).exists():
            raise ValueError(f"{name}: there is no such file or folder{_nearest(Path(name))}")
    said = _told(options, *READING)
    return room_from_exports(
        named,
        source=options.source or "sub",
        reading={key: int(x) if x.isdigit() else x for key, x in said.items() if x},
        profile=options.device or DEFAULT_PROFILE,
        low_pass=_low_pass(options.low_pass),
        **_told(options, "crossover", "lower_limit"),
    )


def _told(options: argparse.Namespace, *names: str) -> dict[str, Any]:
    """Return options by the names under which the library takes them."""
    return {name: getattr(options, name) for name in names}


def _print(found: Record | RoomJoining, text: str, options: argparse.Namespace) -> None:
    """Print what was found: as text, or as JSON if that is asked for."""
    print(found.to_json().decode() if options.json else text, end="")


def _nearest(path: Path) -> str:
    """Name what lies beside a path that is not there and was probably meant."""
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
    family, order, corner = words
    said = f"--low-pass {' '.join(words)}"
    told: dict[str, Any] = {"kind": "low_pass", "family": family}
    try:
        told |= {"order": int(order), "corner": float(corner)}
    except ValueError:
        raise ValueError(
            f"{said}: needs a whole order and a corner in Hz, as in linkwitz_riley 4 80"
        ) from None
    try:
        return CrossoverFilter(**told)
    except ValueError as error:
        raise ValueError(f"{said}: {error}") from None


def _check(options: argparse.Namespace) -> int:
    room = _read(options)
    with progress("looking at the seats", sys.stderr):
        estimate = estimated_path(room)
        overview = room_overview(room, detail=options.detail, estimate=estimate)
    _print(overview, room_text(overview, estimate=estimate, detail=options.detail), options)
    return 1 if room.doubtful or overview.sum_doubtful or overview.path_doubtful else 0


def _places(options: argparse.Namespace) -> int:
    with progress("reading the measurements", sys.stderr):
        room = read_room(options.room)
    with progress("trying places together", sys.stderr):
        found = rank_places(room, most=options.most)
    _say_alarms(room)
    _print(found, places_text(found, detail=options.detail), options)
    return 1 if room.doubtful else 0


def _join(options: argparse.Namespace) -> int:
    room = _read(options)
    with progress("joining subwoofer and mains", sys.stderr):
        found = join(room)
    _say_alarms(room)
    say(room.findings)
    _print(found, room_joining_text(found, detail=options.detail), options)
    if options.plan:
        with progress("keeping the plan", sys.stderr):
            _keep_joining(room, found, options)
    return 1 if room.doubtful or found.doubtful else 0


def _keep_joining(room: Room, found: RoomJoining, options: argparse.Namespace) -> None:
    """Write the plan of a joining that leaves bands and level, or raise with why there is none."""
    if found.settled is None:
        raise ValueError("no plan was kept: levels alone leave a question that is to be decided")
    joined = None if found.record else found.settled
    plan = propose(room, keep_bands=True, joined=joined, date=_date(options), by=options.by)
    if plan.joining is None:
        said = [text for text in plan.assumptions if "are not joined" in text]
        why = said[-1] if said else "the measured sum contradicts its parts"
        raise ValueError(f"no plan was kept: {why}")
    _keep(plan, options)


def _keep(plan: Plan, options: argparse.Namespace) -> None:
    """Write a plan after the report, and say where it is."""
    write_plan(plan, options.plan, other_room=options.force)
    if not options.json:
        print(f"\nPlan kept in {options.plan}")


def _propose(options: argparse.Namespace) -> int:
    room, date = _read(options), _date(options)
    if options.in_force:
        room = _as_in_force(room, options.in_force)
    with progress("choosing band gains", sys.stderr):
        plan = propose(room, best=options.best, date=date, by=options.by)
    if options.plan:
        write_plan(plan, options.plan, other_room=options.force)
    if options.json:
        say(room.findings)
    _print_plan(plan, options)
    if options.plan and not options.json:
        print(f"\nPlan kept in {options.plan}")
    return 1 if room.doubtful or plan.reservations or plan.no_change else 0


def _date(options: argparse.Namespace) -> date | None:
    try:
        return msgspec.convert(options.date, date | None)
    except msgspec.ValidationError:
        raise ValueError(f"--date {options.date}: needs a date as in 2024-05-31") from None


def _as_in_force(room: Room, path: str) -> Room:
    """Return the room with the gains that a verification found in force."""
    of_plan = Path(path).is_file() and is_a_plan(Path(path))
    if of_plan:
        plan = read_plan(path)
        if plan.together is not None:
            raise ValueError(f"{path} sets several subwoofers: it has no gains for one")
        found = dict(zip(plan.device.labels, plan.gains_db, strict=True))
    else:
        found = read_in_force(path, room=room.name)
    if set(found) != set(room.equaliser.labels):
        raise ValueError(f"{path} speaks of other bands than {', '.join(room.equaliser.labels)} Hz")
    gains = np.array([found[label] for label in room.equaliser.labels])
    what = f"of the plan {path} in force" if of_plan else f"that {path} found in force"
    told = (
        f"the room was measured with the gains {what}, not those it states; the level knob is "
        "taken as the room file says, and nothing else that was found is carried over: mend that "
        "first"
    )
    present = replace(room.present, gains_db=gains, gains_stated=True)
    return replace(room, present=present, assumptions=(*room.assumptions, told))


def _verify(options: argparse.Namespace) -> int:
    if not options.room:
        said = f"has the seats {', '.join(seat.seat for seat in read_plan(options.plan).seats)}"
        raise ValueError(f"{options.plan} {said}: name ROOM, measured again there")
    if Path(options.plan).is_dir() or options.room[0].endswith(".json"):
        raise ValueError(f"{options.plan}: the plan comes first, then the room: verify PLAN ROOM")
    room = _read(options)
    if options.plot:
        check_pictures()
    alarmed = _say_alarms(room)
    others = {path: read_plan(path) for path in options.other}
    plan = read_plan(options.plan)
    with progress("comparing with the plan", sys.stderr):
        found = verify(plan, room, others=others, other_room=options.force)
    seats = [seat.seat for seat in plan.seats]
    say(
        f"seat {seat} is none of the plan's, which are {', '.join(seats)}"
        for seat in room.survey.seats
        if seat not in seats
    )
    _print(found, verification_text(found), options)
    if options.plot:
        written = write_pictures(Subject(plan=plan, room=room, found=found), Path(options.plot))
        print(written, end="", file=sys.stderr if options.json else sys.stdout)
    as_planned = found.agrees and found.level.agrees and found.stated_as_planned
    return 0 if as_planned and not alarmed else 1


def _compare(options: argparse.Namespace) -> int:
    before, after = read_room(options.room), read_room(options.after)
    alarmed = [_say_alarms(room) for room in (before, after)]
    found = compare(before, after, other_room=options.force)
    _print(found, comparison_text(found), options)
    return 0 if found.unchanged and not any(alarmed) else 1


def _plot(options: argparse.Namespace) -> int:
    check_pictures(options.only)
    named, room = Path(options.room[0]), None
    if len(options.room) == 1 and named.suffix == ".json":
        _refuse_bare_options(options)
    else:
        room = _room(options)
        _say_alarms(room)
        say(room.findings)
    with progress("drawing", sys.stderr):
        subject = Subject(room=room, plan=None if room else read_plan(named))
        folder = Path(options.output or f"{named.resolve().stem}_pictures")
        written = write_pictures(subject, folder, only=options.only, form=options.form)
    _print(written, str(written), options)
    return 1 if (room and room.doubtful) or (options.only and written.not_made) else 0


def _say_alarms(room: Room) -> bool:
    """Say beside the output what is wrong with recorded sweeps, and return whether anything is."""
    alarms = alarm_texts(recording_rows(room))
    say(alarms)
    return bool(alarms)


def _start(options: argparse.Namespace) -> int:
    target = Path(options.folder) / ROOM_FILE_NAME
    with progress("looking at the files", sys.stderr):
        found = look_into(target.parent)
        with replacing(target) as temporary:
            temporary.write_text(room_file_text(found), encoding="utf-8")
    print(start_text(found, file=str(target)), flush=True)
    options.room = [str(target)]
    return _check(options)


def _keys(options: argparse.Namespace) -> int:
    print(keys_text(options.name), end="")
    return 0


def _show(options: argparse.Namespace) -> int:
    _print_plan(read_plan(options.plan), options)
    return 0


def _print_plan(plan: Plan, options: argparse.Namespace) -> None:
    _print(plan, plan_text(plan, bars=bars_wanted(sys.stdout), detail=options.detail), options)


def _sheet(options: argparse.Namespace) -> int:
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


def _device(options: argparse.Namespace) -> int:
    if options.list:
        devices = [read_device(name) for name in shipped_profiles()]
        print(profiles_text(devices, explained=f"{PROFILES}/{DEFAULT_PROFILE}.toml"), end="")
        return 0
    if not options.flat:
        raise ValueError("device needs --flat FILE and what was moved (or --list)")
    kept = None if options.profile is None else Path(options.profile)
    if kept is not None:
        refuse_profile_file(kept)
    passes = _told(options, "low_pass", "high_pass")
    name = None if kept is None else kept.stem
    found = measure_device(options.flat, options.moved, base=options.device, name=name, **passes)
    _print(found, device_text(found), options)
    if kept is not None:
        if not found.any_told:
            raise ValueError("nothing could be told: no profile was written")
        write_measured_profile(found, kept)
        if not options.json:
            print(f'\nProfile kept in {kept}: write profile = "{kept.name}" under [device]')
    return 0 if found.all_told else 1


def _batch(options: argparse.Namespace) -> int:
    if options.plot:
        check_pictures()
    with progress("working through the rooms", sys.stderr):
        alike = _told(options, "out", "jobs", "resume", "best")
        found = propose_many(options.folder, **alike)
    rows = found.rows()
    if options.plot:
        write_picture(plot_rooms(rows), found.out / "rooms.png")
    print(json_text(rows).decode() if options.json else batch_text(found, rows), end="")
    return 1 if any(row.status == "failed" or row.doubtful for row in rows) else 0


def _voice(options: argparse.Namespace) -> int:
    model, date = _read(options), _date(options)
    if options.plot:
        check_pictures(at=Path(options.plot))
    with progress("voicing", sys.stderr):
        told = _told(options, "flat_source", "by")
        told |= {"criterion": "worst_tenth" if options.worst_tenth else "mean"}
        found = voice(model, options.rooms, date=date, **told)
        needed = rooms_needed(found) if len(found.rooms) > 1 else ()
    text = voicing_text(found, needed)
    print(json_text(found.record(needed)).decode() if options.json else text, end="")
    if options.plot:
        write_picture(plot_voicing(found), Path(options.plot), footer=model.name)
    if options.plan:
        _keep(found.plan, options)
    return 1 if model.doubtful or found.plan.reservations else 0


def _sweep(options: argparse.Namespace) -> int:
    if not options.lead_in >= 5.0:
        raise ValueError(
            f"--lead-in must be at least 5 s, got {options.lead_in:g} s: amplifiers with signal "
            "sensing wake late and would lose the lowest bands"
        )
    alike = ("start", "stop", "length", "lead_in", "tail", "repeats", "channels", "channel")
    answers = {
        name: getattr(options, flag.removeprefix("--")) for name, flag in CHAIN_QUESTIONS.items()
    }
    sweep = SweepDescription(
        **_told(options, *alike),
        level_dbfs=options.level,
        sample_rate=options.rate,
        conditions=ChainConditions(**answers),
    )
    output = Path(options.output)
    with progress("writing the sweep", sys.stderr):
        written = write_sweep(output, playback_signal(sweep), sweep=sweep, replace=options.force)
    print(sweep_text(sweep, files=[str(path) for path in written]), end="")
    return 0
