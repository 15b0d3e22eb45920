"""All pictures that a room or a plan bears, by name, and how they become files.

Conventions
-----------
A picture is asked for by its name; one that is made for every recording becomes several files. What
the data do not bear is told with the reason, never drawn empty. A picture replaces an earlier
picture of its name, and no other file.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from roomeq.analysis.seats import comparable_level_db, estimate_seat_statistics
from roomeq.analysis.survey_levels import common_axis, seat_levels_db
from roomeq.base.errors import FileFaultError, RoomeqError
from roomeq.base.files import refuse_other_kinds, replacing
from roomeq.base.record import Record
from roomeq.jobs.decay import room_decays
from roomeq.jobs.joining.steps import present_data
from roomeq.jobs.propose import propose
from roomeq.jobs.verify import equaliser_of
from roomeq.plan.plan import Plan
from roomeq.plan.verification import Verification
from roomeq.report.plots import decay, headroom, joining, multiples, seats
from roomeq.report.plots import plan as of_plan
from roomeq.report.plots.labels import shortened
from roomeq.report.plots.style import COLOURS, fonts_for, titled
from roomeq.report.plots.verification import plot_verification
from roomeq.room.recorded import RecordedSweep
from roomeq.room.room import Room

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MARK, _HEAD = b"roomeq picture", 4096
_DOTS_PER_INCH = 160
_LOWEST, _HIGHEST = 16.0, 200.0

Drawn: TypeAlias = "Iterator[tuple[str, Axes | Figure]]"
"""What is added to the name of each file, and what is in it."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Subject:
    """What pictures are made of.

    Attributes
    ----------
    plan : Plan or None
        None: that of a proposal for the room, made when a picture first needs it.
    room : Room or None
        Read with ``detail``.
    found : Verification or None
        Of the room against the plan.
    """

    plan: Plan | None = None
    room: Room | None = None
    found: Verification | None = None

    @cached_property
    def _proposed(self) -> Plan | str:
        try:
            return self.plan or propose(self.measured)
        except (RoomeqError, ValueError) as error:
            return f"nothing can be proposed: {error}"

    @property
    def proposal(self) -> Plan:
        """The plan; ValueError where there is none."""
        if isinstance(self._proposed, str):
            raise ValueError(self._proposed)
        return self._proposed

    @property
    def name(self) -> str:
        """Of the room."""
        return self.room.name if self.room else self.proposal.room

    @property
    def footer(self) -> str:
        """What stands at the foot of every picture."""
        date = (self.room or self.proposal).record.get("date")
        return ", ".join(filter(None, (shortened(self.name), date)))

    @property
    def letters(self) -> str:
        """All that names of room and seats are written with."""
        seats = [one.seat for one in self.plan.seats] if self.plan else []
        seats += self.plan.subwoofers if self.plan else []
        seats += self.room.survey.seats if self.room else []
        return "".join([self.name, *seats])

    @property
    def measured(self) -> Room:
        """The room; ValueError where there is none."""
        if self.room is None:
            raise ValueError("a plan does not keep the measurements: give the room")
        return self.room

    @property
    def recordings(self) -> list[RecordedSweep]:
        """Recordings that tell an impulse response; ValueError where none does."""
        found = [one for one in self.measured.recordings if one.impulse_response is not None]
        if not found:
            heard = "every one holds other sounds" if self.measured.recordings else "there is none"
            raise ValueError(f"needs a recorded sweep, and {heard}")
        return found


def _seats(of: Subject, name: str) -> Drawn:
    room = of.measured
    survey = room.survey.of_source(room.source)
    axis = common_axis(survey, lowest=_LOWEST, highest=_HIGHEST)
    levels = seat_levels_db(survey, at=axis)
    if not survey.levels_comparable:
        levels, _ = comparable_level_db(levels, frequencies=axis)
    told = estimate_seat_statistics(axis, levels, seats=survey.seats, weights=survey.weights)
    if name == "seats":
        yield "", seats.plot_seats(told, levels, level_reference=room.level_reference)
    elif len(levels) < 2:
        raise ValueError("there is one seat only")
    else:
        yield "", seats.plot_seat_differences(told, levels)


def _survey(of: Subject, name: str) -> Drawn:
    survey = of.measured.survey.of_source(of.measured.source)
    if name == "phase":
        yield "", multiples.plot_phase(survey)
    elif name == "group_delay":
        yield "", multiples.plot_group_delay(survey)
    elif all(entry.response.snr_db is None for entry in survey.measurements):
        raise ValueError("no measurement tells its noise")
    else:
        yield "", seats.plot_survey_signal_to_noise(survey)


def _recorded(of: Subject, name: str) -> Drawn:
    """Draw what is drawn of every recording by itself; harmonics need a described sweep."""
    for one in of.recordings:
        what, label = _stem(one.file), f"{one.seat}, {one.source}"
        if name == "distortion" and one.distortion is not None:
            ax = headroom.plot_distortion(one.distortion)
            yield what, titled(ax, f"Distortion while measuring: {label}")
        elif name == "impulse_response" and one.impulse_response and one.window:
            figure = decay.plot_impulse_response(one.impulse_response, window=one.window)
            titled(figure.axes[0], f"Impulse response and window: {label}")
            yield what, figure


def _decay(of: Subject, name: str) -> Drawn:
    of.recordings  # noqa: B018
    if of.proposal.subwoofers:
        raise ValueError("of several subwoofers it is not told how each one's bands change it")
    for one in room_decays(of.measured, gains_db=of.proposal.gains_db):
        if name == "decay_times":
            ax = decay.plot_decay(one.before, predicted=one.predicted)
            what = "How long it rings"
        else:
            ax = decay.plot_decay_lines(one.lines, predicted=one.predicted_lines)
            what = "How the sound dies away"
        yield _stem(one.file), titled(ax, f"{what}: {one.seat}")


def _plan(of: Subject, name: str) -> Drawn:
    plan, evidence = of.proposal, of.proposal.evidence
    if name == "equaliser":
        equaliser = of.room.equaliser if of.room else equaliser_of(plan.device)
        if equaliser is None:
            raise ValueError("the shapes of the bands were measured, and a plan does not keep them")
        limit: Any = {"limit_db": evidence.filter_boost_limit_db}
        limit["no_boost_below"] = evidence.no_boost_below
        yield "", of_plan.plot_equaliser(equaliser, plan.gains_db, **limit)
    elif plan.extra_drive:
        limits = headroom.drive_limits_db(plan)
        yield "", headroom.plot_extra_drive(plan.extra_drive, limits_db=limits)


def _headroom(of: Subject, name: str) -> Drawn:
    if of.proposal.headroom is None:
        raise ValueError("no level is wanted (wanted_spl_db in [headroom])")
    left = of.proposal.headroom.headroom()
    yield "", getattr(headroom, f"plot_{name}")(left)


def _joining(of: Subject, name: str) -> Drawn:
    plan, record = of.proposal, of.proposal.joining
    if record is None:
        said = [text for text in plan.assumptions if "are not joined" in text]
        raise ValueError((said or ["subwoofer and mains are not joined"])[-1])
    if name == "delay_map":
        yield "", joining.plot_joining_map(record)
    elif name == "joining":
        yield "", joining.plot_joining(record, level_reference=plan.level_reference)
    else:
        before = None if of.room is None else present_data(of.room)
        yield "", multiples.plot_parts(plan, before=before)


def _verification(of: Subject, _: str) -> Drawn:
    plan, survey, found = of.proposal, of.measured.survey, of.found
    yield "", plot_verification(plan, survey, found=found)
    if found and found.source != "both" and found.joining and found.joining.by_sum:
        yield "sum", plot_verification(plan, survey, found=found, source="both")


def _together(of: Subject) -> Plan:
    if of.proposal.together is None:
        raise ValueError("there is one subwoofer")
    return of.proposal


def _of_each(draw: Callable[[Subject, str], Drawn]) -> Callable[[Subject, str], Drawn]:
    """Return what draws the settings of each of several subwoofers, or of the one there is."""

    def drawn(of: Subject, name: str) -> Drawn:
        if not of.proposal.subwoofers:
            yield from draw(of, name)
        stems = [_stem(whose) for whose in of.proposal.subwoofers]
        for number, (whose, plan) in enumerate(of.proposal.subwoofers.items(), start=1):
            stem = stems[number - 1]
            stem = stem if stems.count(stem) == 1 else f"{stem}_{number}"
            for what, picture in draw(Subject(plan=plan), name):
                ax: Any = picture  # settings of one device are drawn in one frame
                titled(ax, f"{ax.get_title(loc='left')}: {whose}".lstrip(": "))
                yield "_".join(filter(None, (stem, what))), ax

    return drawn


PICTURES: dict[str, Callable[[Subject, str], Drawn]] = {
    "seats": _seats,
    "seat_differences": _seats,
    "signal_to_noise": _survey,
    "phase": _survey,
    "group_delay": _survey,
    "impulse_response": _recorded,
    "distortion": _recorded,
    "decay_times": _decay,
    "decay_lines": _decay,
    "prediction": lambda of, _: iter([("", of_plan.plot_prediction(of.proposal))]),
    "every_seat": lambda of, _: iter([("", multiples.plot_every_seat(of.proposal))]),
    "subwoofers": lambda of, _: iter([("", multiples.plot_subwoofers(_together(of)))]),
    "variation": lambda of, _: iter([("", seats.plot_variation(_together(of)))]),
    "band_gains": _of_each(lambda of, _: iter([("", of_plan.plot_band_gains(of.proposal))])),
    "equaliser": _of_each(_plan),
    "extra_drive": _of_each(_plan),
    "drive": _of_each(_headroom),
    "power": _of_each(_headroom),
    "displacement": _of_each(_headroom),
    "joining": _joining,
    "delay_map": _joining,
    "parts": _joining,
}
"""Every picture of a room or a plan by its name, in the order of the work."""


class Written(Record, frozen=True, kw_only=True):
    """What became of the pictures that were asked for.

    Attributes
    ----------
    files : tuple of str
    not_made : dict of str to str
        Name of each picture that the data do not bear, and why.
    earlier : tuple of str
        Where all were asked for: pictures of ours in the folder that this run did not write.
    boxes : str
        Letters that no font here has, which are drawn as boxes.
    """

    files: tuple[str, ...]
    not_made: dict[str, str]
    earlier: tuple[str, ...]
    boxes: str = ""

    def __str__(self) -> str:
        lines = ["Pictures kept", *(f"  {path}" for path in self.files)]
        for why in dict.fromkeys(self.not_made.values()):
            names = [name for name, reason in self.not_made.items() if reason == why]
            lines.append(f"Not made: {', '.join(names)}: {why}")
        lines += [f"Of an earlier run: {path}" for path in self.earlier]
        if self.boxes:
            lines.append(f"Drawn as boxes, for no font here has them: {self.boxes}")
        return "\n".join(lines) + "\n"


def check_pictures(only: Sequence[str] = ()) -> None:
    """Raise RoomeqError if pictures cannot be drawn here, ValueError if a name is not known."""
    try:
        import matplotlib  # noqa: F401
    except ImportError as error:
        raise RoomeqError(
            "pictures need matplotlib (install roomeq with its extra: roomeq[report])"
        ) from error
    unknown = [name for name in only if name not in PICTURES]
    if unknown:
        raise ValueError(f"no picture is called {unknown[0]!r}; there are {', '.join(PICTURES)}")


def write_pictures(
    subject: Subject, folder: Path, *, only: Sequence[str] = (), form: Literal["png", "svg"] = "png"
) -> Written:
    """Write every picture that the data bear into a folder, which is made if it is not there.

    Parameters
    ----------
    subject : Subject
        With a verification, the pictures of that alone.
    folder : Path
    only : sequence of str
        Names of `PICTURES`; all by default.
    form : {"png", "svg"}

    Raises
    ------
    ValueError
        If a name is not known, or the data bear none of the pictures.
    FileFaultError
        If a file of that name exists and is no picture of ours.
    RoomeqError
        If matplotlib is not installed.
    OSError
        If the folder cannot be written to.
    """
    check_pictures(only)
    known = PICTURES if subject.found is None else {"verification": _verification}
    files: list[Path] = []
    not_made: dict[str, str] = {}
    with fonts_for(subject.letters) as boxes:
        for name in only or known:
            before = len(files)
            try:
                for suffix, drawn in known[name](subject, name):
                    files.append(folder / f"{'_'.join(filter(None, (name, suffix)))}.{form}")
                    folder.mkdir(exist_ok=True)
                    write_picture(drawn, files[-1], form=form, footer=subject.footer)
            except ValueError as error:
                not_made[name] = str(error)
            if len(files) == before:
                not_made.setdefault(name, "nothing is known of it")
    if not files:
        raise ValueError(f"no picture was made: {'; '.join(dict.fromkeys(not_made.values()))}")
    beside = sorted({*folder.glob("*.png"), *folder.glob("*.svg")} - set(files)) if not only else []
    earlier = [path for path in beside if path.is_file() and _is_ours(path)]
    return Written(
        files=tuple(map(str, files)),
        not_made=not_made,
        earlier=tuple(map(str, earlier)),
        boxes=boxes,
    )


def _stem(file: str) -> str:
    return re.sub(r"\W+", "_", Path(file).stem)


def write_picture(drawn: Axes | Figure, path: Path, *, form: str = "png", footer: str = "") -> None:
    """Write one picture, with words at its foot; no file but an earlier picture gives way.

    Raises
    ------
    FileFaultError
        If a file of that name exists and is no picture of ours.
    OSError
        If the folder does not exist or cannot be written to.
    """
    import matplotlib as mpl
    from matplotlib import pyplot as plt

    figure: Any = drawn.figure or drawn
    look = {"fontsize": 6.5, "color": COLOURS["quiet"], "parse_math": False}
    figure.text(0.01, 0.0, footer, va="top", **look)
    refuse_other_kinds(path, kind="picture", is_of_kind=_is_ours, error=FileFaultError)
    facts: dict[str, Any] = {"Title": _MARK.decode()} | ({"Date": None} if form == "svg" else {})
    with replacing(path) as temporary, mpl.rc_context({"svg.hashsalt": "roomeq"}):
        page: dict[str, Any] = {"bbox_inches": "tight", "dpi": _DOTS_PER_INCH, "metadata": facts}
        figure.savefig(temporary, format=form, **page)
    plt.close(figure)


def _is_ours(path: Path) -> bool:
    with path.open("rb") as file:
        return _MARK in file.read(_HEAD)
