"""The command lines that `saved_outputs.py` runs.

A case names the files that are laid beside it and the plans of other cases that it reads.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from output_rooms import ALTERED, EXPORTS, ROOMS

SAVED_PLANS = Path(__file__).resolve().parents[1] / "saved_plans"
NO_PLANS: Mapping[str, str] = {
    "no_json.json": "Settings of Tuesday\n",
    "other.json": '{"format": 1, "room": "Cabin"}\n',
    "later.json": '{"format": 99, "roomeq_version": "9.9", "room": "Cabin"}\n',
}


@dataclass(frozen=True, kw_only=True)
class Case:
    """One command line; `plans` are names of cases that keep a plan, laid beside as NAME.json."""

    name: str
    words: tuple[str, ...]
    files: Mapping[str, str] = field(default_factory=dict)
    plans: tuple[str, ...] = ()


def _case(words: str, *names: str, plans: Sequence[str] = (), **files: str) -> Case:
    """Return a case from one line of words; its name is the line, shortened.

    A plan holds the day it was made: it is given one, so that outputs of two days compare.
    """
    name = "_".join(names) or "_".join(words.replace("rooms/", "").replace("/", " ").split())
    day = ("--date", "2001-02-03") if words.startswith("propose ") else ()
    return Case(name=name, words=(*words.split(), *day), plans=tuple(plans), files=files)


def all_cases() -> Iterator[Case]:
    """Yield every case; those that keep a plan before those that read it."""
    yield from _of_rooms()
    yield from _of_plans()
    yield from _of_exports()
    yield from _of_sweeps()
    yield from _of_the_command_line()


def _of_rooms() -> Iterator[Case]:
    rooms = (*ROOMS, *ALTERED, "ferry_levels", "cabin_as_set")
    for room in rooms:
        yield _case(f"check rooms/{room}", "check", room)
        yield _case(f"propose rooms/{room} --plan plan.json", "propose", room)
        if room in ROOMS:
            yield _case(f"check rooms/{room} --detail", "check", room, "detail")
            yield _case(f"check rooms/{room} --json", "check", room, "json")
            yield _case(f"propose rooms/{room} --json", "propose", room, "json")
        if room in ROOMS or room.startswith("ferry"):
            yield _case(f"join rooms/{room}", "join", room)
            yield _case(f"join rooms/{room} --json", "join", room, "json")
    for room in ("bell_foundry", "foundry_untimed", "lakeside_cabin"):
        yield _case(f"places rooms/{room}", "places", room)
    yield _case("places rooms/bell_foundry --detail", "places_detail")
    yield _case("places rooms/bell_foundry --most 1 --json", "places_json")
    yield _case("check rooms/village_library --detail --json", "check_detail_json")
    yield _case("check rooms/cabin_headroom --json")
    yield _case("check rooms/lakeside_cabin/room.toml", "check_room_file")
    yield _case("propose rooms/rented_hall --json --plan plan.json", "propose_json_and_plan")
    yield _case("propose rooms/rented_hall --plan no/such/plan.json", "propose_no_folder")
    kept = {"plan.json": "My shopping\n"}
    yield _case("propose rooms/rented_hall --plan plan.json", "propose_over_other", **kept)


def _of_plans() -> Iterator[Case]:
    for room in (*ROOMS, "cabin_headroom", "cabin_vented", "ferry_headroom", "library_headroom"):
        plan = f"propose_{room}"
        yield _case(f"show {plan}.json", "show", room, plans=[plan])
        yield _case(f"show {plan}.json --json", "show", room, "json", plans=[plan])
        yield _case(f"sheet {plan}.json --output s.html", "sheet", room, plans=[plan])
        yield _case(f"verify {plan}.json rooms/{room}", "verify", room, plans=[plan])
    cabin, cellar, limited = (
        f"propose_{room}" for room in ("lakeside_cabin", "brick_cellar", "cabin_limits")
    )
    foundry = "propose_bell_foundry"
    for room in ("foundry_set", "foundry_fed"):
        yield _case(f"verify {foundry}.json rooms/{room}", "verify_on", room, plans=[foundry])
    yield _case(f"plot {foundry}.json --output pictures", "plot_foundry", plans=[foundry])
    yield _case("plot rooms/bell_foundry --output pictures", "plot_foundry_room")
    for room in ("cabin_as_set", "cabin_set_wrongly", "brick_cellar"):
        yield _case(f"verify {cabin}.json rooms/{room}", "verify_cabin_on", room, plans=[cabin])
    yield _case(f"verify {cabin}.json rooms/cabin_set_wrongly --json", "verify_json", plans=[cabin])
    yield _case(
        "verify propose_ferry_office.json rooms/ferry_office --json",
        "verify_ferry_json",
        plans=["propose_ferry_office"],
    )
    yield _case("compare rooms/lakeside_cabin rooms/cabin_as_set --json", "compare_json")
    yield _case("compare rooms/lakeside_cabin rooms/cabin_set_wrongly", "compare_cabin")
    yield _case(f"verify {cabin}.json rooms/nowhere", "verify_nowhere", plans=[cabin])
    two = f"{cabin}.json {limited}.json --output s.html"
    yield _case(f"sheet {two}", "sheet_of_two", plans=[cabin, limited])
    mixed = f"{cabin}.json {cellar}.json --output s.html"
    yield _case(f"sheet {mixed}", "sheet_of_two_rooms", plans=[cabin, cellar])
    yield _case(f"sheet {mixed} --mixed", "sheet_mixed", plans=[cabin, cellar])
    yield _case(f"sheet {cabin}.json --output {cabin}.json", "sheet_over_plan", plans=[cabin])
    other = {"s.html": "<p>My page</p>\n"}
    yield _case(f"sheet {cabin}.json --output s.html", "sheet_over", plans=[cabin], **other)
    for path in sorted(SAVED_PLANS.glob("*.json")):
        old = {path.name: path.read_text(encoding="utf-8")}
        yield _case(f"show {path.name}", "show_old", path.stem, **old)
        yield _case(f"sheet {path.name} --output s.html", "sheet_old", path.stem, **old)
    for file, text in NO_PLANS.items():
        yield _case(f"show {file}", "show", file, **{file: text})
    yield _case("show nowhere.json", "show_nowhere")


def _of_exports() -> Iterator[Case]:
    for file in EXPORTS:
        yield _case(f"check rooms/exports/{file}", "check_export", file)
    plain, bare = "rooms/exports/plain.txt", "rooms/exports/no_heading.txt"
    told = "--low-pass linkwitz_riley 4 80 --lower-limit 25"
    yield _case(f"propose {plain} {bare} {told} --plan plan.json", "propose_exports")
    yield _case(f"check {plain} rooms/exports/two_seats.csv --json", "check_exports_json")
    yield _case(f"propose {plain} --source both --device coarse_step", "propose_both")
    yield _case(f"propose {plain} --crossover 90", "propose_crossover")
    yield _case(f"propose {plain} --low-pass bessel 4 80", "propose_family")
    yield _case(f"propose {plain} --low-pass butterworth four 80", "propose_order")
    yield _case(f"propose {plain} --device no_such_device", "propose_device")
    yield _case(f"check {plain} {plain}", "check_twice")
    yield _case(f"check {plain} rooms/lakeside_cabin", "check_folder_and_file")
    yield _case(f"join {plain}", "join_export")
    yield _case("check rooms/exports", "check_no_room_file")
    yield _case("check rooms/exports/plein.txt", "check_misspelt")
    yield _case("check rooms/lakeside_cabin --crossover 80", "check_said_twice")


def _of_sweeps() -> Iterator[Case]:
    short = "--length 1 --lead-in 5 --tail 0.5 --rate 8000"
    yield _case(f"sweep s.wav {short}", "sweep")
    yield _case(
        f"sweep s.wav {short} --start 15 --stop 300 --level -20 --repeats 2 "
        "--channels 2 --channel 2 --volume -10",
        "sweep_told",
    )
    yield _case(f"sweep s.wav {short}", "sweep_over", **{"s.wav": "x"})
    yield _case(f"sweep s.wav {short} --force", "sweep_forced", **{"s.wav": "x"})
    for wrong in ("--start 500 --stop 20", "--level 3", "--channel 3", "--length -1", "--rate 5"):
        yield _case(f"sweep s.wav {wrong}")
    yield _case("sweep s.mp3", "sweep_mp3")


def _of_the_command_line() -> Iterator[Case]:
    for words in (
        "",
        "--version",
        "--help",
        "tune",
        "check",
        "propose rooms/x --plan",
        "--verbose",
    ):
        yield _case(words, "roomeq", *words.replace("/", " ").split())
    commands = ("check", "join", "propose", "verify", "compare", "device", "sweep", "show", "sheet")
    for command in commands:
        yield _case(f"{command} --help")
