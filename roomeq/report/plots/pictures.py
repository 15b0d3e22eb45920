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
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from roomeq.analysis.seats import (
    SeatStatistics,
    comparable_level_db,
    estimate_seat_statistics,
)
from roomeq.analysis.survey_levels import common_axis, seat_levels_db, survey_signal_to_noise
from roomeq.base.errors import FileFaultError, RoomeqError
from roomeq.base.files import refuse_other_kinds, replacing
from roomeq.base.levels import FloatArray
from roomeq.base.record import Record
from roomeq.base.survey import Survey
from roomeq.jobs.decay import SeatDecay, room_decays
from roomeq.jobs.joining.steps import present_data
from roomeq.jobs.propose import propose
from roomeq.jobs.verify import equaliser_of
from roomeq.optimiser.drive.headroom import Headroom
from roomeq.plan.joining import JoiningRecord
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

Drawn: TypeAlias = "Iterator[tuple[str, str, Axes | Figure]]"
"""What is added to the name of each file, what to its title, and what is in it."""


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
    def measured(self) -> Room:
        """The room; ValueError where there is none."""
        if self.room is None:
            raise ValueError("a plan does not keep the measurements: give the room")
        return self.room

    @property
    def survey(self) -> Survey:
        """What was measured of what is judged."""
        return self.measured.survey.of_source(self.measured.source)

    @property
    def recordings(self) -> list[RecordedSweep]:
        """Recordings that tell an impulse response; ValueError where none does."""
        found = [one for one in self.measured.recordings if one.impulse_response is not None]
        if not found:
            heard = "every one holds other sounds" if self.measured.recordings else "there is none"
            raise ValueError(f"needs a recorded sweep, and {heard}")
        return found

    @property
    def joining(self) -> JoiningRecord:
        """What joins the mains; ValueError where nothing does."""
        if self.proposal.joining is None:
            said = [text for text in self.proposal.assumptions if "are not joined" in text]
            raise ValueError((said or ["subwoofer and mains are not joined"])[-1])
        return self.proposal.joining

    @property
    def several(self) -> Plan:
        """The plan of several subwoofers; ValueError where there is one."""
        if self.proposal.together is None:
            raise ValueError("there is one subwoofer")
        return self.proposal

    @property
    def headroom(self) -> Headroom:
        """What the wanted level leaves; ValueError where none is wanted."""
        if self.proposal.headroom is None:
            raise ValueError("no level is wanted (wanted_spl_db in [headroom])")
        return self.proposal.headroom.headroom()

    @cached_property
    def decays(self) -> tuple[SeatDecay, ...]:
        """Of every clean recording how it dies away, and how it would with the plan's bands."""
        return room_decays(self.measured, gains_db=self.proposal.gains_db)

    def seats(self) -> tuple[SeatStatistics, FloatArray]:
        """Return what the seats share, and their levels."""
        survey = self.survey
        axis = common_axis(survey, lowest=_LOWEST, highest=_HIGHEST)
        levels = seat_levels_db(survey, at=axis)
        if not survey.levels_comparable:
            levels, _ = comparable_level_db(levels, frequencies=axis)
        who = survey.seats, survey.weights
        return estimate_seat_statistics(axis, levels, seats=who[0], weights=who[1]), levels


def _seat_differences(of: Subject) -> Axes:
    if len(of.survey.seats) < 2:
        raise ValueError("there is one seat only")
    return seats.plot_seat_differences(*of.seats())


def _signal_to_noise(of: Subject) -> Axes:
    if all(entry.response.snr_db is None for entry in of.survey.measurements):
        raise ValueError("no measurement tells its noise")
    found = survey_signal_to_noise(of.survey)
    return seats.plot_signal_to_noise(found.columns, found, seats=list(found.index))


def _impulse_responses(of: Subject) -> Drawn:
    for one in of.recordings:
        if one.impulse_response and one.window:
            figure = decay.plot_impulse_response(one.impulse_response, window=one.window)
            yield one.file, f"{one.seat}, {one.source}", figure


def _distortions(of: Subject) -> Drawn:
    for one in of.recordings:
        if one.distortion is not None:  # else the sweep was not described
            yield one.file, f"{one.seat}, {one.source}", headroom.plot_distortion(one.distortion)


def _decays(of: Subject, draw: Callable[..., Axes], before: str, predicted: str) -> Drawn:
    if of.recordings and of.proposal.subwoofers:
        raise ValueError("of several subwoofers it is not told how each one's bands change it")
    for one in of.decays:
        yield one.file, one.seat, draw(getattr(one, before), predicted=getattr(one, predicted))


def _equaliser(of: Subject) -> Axes:
    plan, evidence = of.proposal, of.proposal.evidence
    equaliser = of.room.equaliser if of.room else equaliser_of(plan.device)
    if equaliser is None:
        raise ValueError("the shapes of the bands were measured, and a plan does not keep them")
    limit_db, floor = evidence.filter_boost_limit_db, evidence.no_boost_below
    return of_plan.plot_equaliser(equaliser, plan.gains_db, limit_db=limit_db, no_boost_below=floor)


def _extra_drive(of: Subject) -> Axes:
    if not of.proposal.extra_drive:
        raise ValueError("nothing is known of it")
    limits = headroom.drive_limits_db(of.proposal)
    return headroom.plot_extra_drive(of.proposal.extra_drive, limits_db=limits)


def _parts(of: Subject) -> Figure:
    before = present_data(of.room) if of.joining and of.room else None
    return multiples.plot_parts(of.proposal, before=before)


def _verification(of: Subject) -> Drawn:
    plan, survey, found = of.proposal, of.measured.survey, of.found
    yield "", "", plot_verification(plan, survey, found=found)
    if found and found.source != "both" and found.joining and found.joining.by_sum:
        yield "sum", "", plot_verification(plan, survey, found=found, source="both")


def _of_each(draw: Callable[[Subject], Axes]) -> Callable[[Subject], Drawn]:
    """Return what draws the settings of each of several subwoofers, or of the one there is."""

    def drawn(of: Subject) -> Drawn:
        each = of.proposal.subwoofers
        stems = [_stem(whose) for whose in each]
        for number, (stem, (whose, plan)) in enumerate(zip(stems, each.items(), strict=True), 1):
            twin = f"_{number}" if stems.count(stem) > 1 else ""
            yield f"{stem}{twin}", whose, draw(Subject(plan=plan))
        if not each:
            yield "", "", draw(of)

    return drawn


PICTURES: dict[str, Callable[[Subject], Axes | Figure | Drawn]] = {
    "seats": lambda of: seats.plot_seats(*of.seats(), level_reference=of.measured.level_reference),
    "seat_differences": _seat_differences,
    "signal_to_noise": _signal_to_noise,
    "phase": lambda of: multiples.plot_phase(of.survey),
    "group_delay": lambda of: multiples.plot_group_delay(of.survey),
    "impulse_response": _impulse_responses,
    "distortion": _distortions,
    "decay_times": lambda of: _decays(of, decay.plot_decay, "before", "predicted"),
    "decay_lines": lambda of: _decays(of, decay.plot_decay_lines, "lines", "predicted_lines"),
    "prediction": lambda of: of_plan.plot_prediction(of.proposal),
    "every_seat": lambda of: multiples.plot_every_seat(of.proposal),
    "subwoofers": lambda of: multiples.plot_subwoofers(of.several),
    "variation": lambda of: seats.plot_variation(of.several),
    "band_gains": _of_each(lambda of: of_plan.plot_band_gains(of.proposal)),
    "equaliser": _of_each(_equaliser),
    "extra_drive": _of_each(_extra_drive),
    "drive": _of_each(lambda of: headroom.plot_drive(of.headroom)),
    "power": _of_each(lambda of: headroom.plot_power(of.headroom)),
    "displacement": _of_each(lambda of: headroom.plot_displacement(of.headroom)),
    "joining": lambda of: joining.plot_joining(
        of.joining, level_reference=of.proposal.level_reference
    ),
    "delay_map": lambda of: joining.plot_joining_map(of.joining),
    "parts": _parts,
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


def check_pictures(only: Sequence[str] = (), *, at: Path | None = None) -> None:
    """Raise if a picture could not be drawn here, or not written, before it is reckoned.

    RoomeqError without matplotlib, ValueError if a name is not known, FileFaultError if another
    kind of file lies where one shall lie.
    """
    if find_spec("matplotlib") is None:
        raise RoomeqError(
            "pictures need matplotlib (install roomeq with its extra: roomeq[report])"
        )
    unknown = [name for name in only if name not in PICTURES]
    if unknown:
        raise ValueError(f"no picture is called {unknown[0]!r}; there are {', '.join(PICTURES)}")
    if at is not None:
        _refuse_strangers(at)


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
    name, date, letters = _told(subject)
    footer = ", ".join(filter(None, (shortened(name), date)))
    with fonts_for(letters) as boxes:
        for picture in only or known:
            before = len(files)
            try:
                found = known[picture](subject)
                each = found if isinstance(found, Iterator) else [("", "", found)]
                for suffix, whose, drawn in each:
                    if whose:
                        ax: Any = drawn.axes[0] if isinstance(drawn.axes, list) else drawn
                        titled(ax, f"{ax.get_title(loc='left')}: {whose}")
                    name = "_".join(filter(None, (picture, _stem(suffix))))
                    files.append(folder / f"{name}.{form}")
                    folder.mkdir(exist_ok=True)
                    write_picture(drawn, files[-1], form=form, footer=footer)
            except ValueError as error:
                not_made[picture] = str(error)
            if len(files) == before:
                not_made.setdefault(picture, "nothing is known of it")
    if not files:
        raise ValueError(f"no picture was made: {'; '.join(dict.fromkeys(not_made.values()))}")
    beside = sorted({*folder.glob("*.png"), *folder.glob("*.svg")} - set(files)) if not only else []
    earlier = tuple(str(path) for path in beside if path.is_file() and _is_ours(path))
    written = tuple(map(str, files))
    return Written(files=written, not_made=not_made, earlier=earlier, boxes=boxes)


def _told(of: Subject) -> tuple[str, str | None, str]:
    """Return the room's name, the date, and all letters that names of room and seats have."""
    room, plan = of.room, of.plan
    one = room or of.proposal
    name = room.name if room else of.proposal.room
    names = [*(seat.seat for seat in plan.seats), *plan.subwoofers] if plan else []
    names += room.survey.seats if room else []
    return name, one.record.get("date"), "".join([name, *names])


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
    _refuse_strangers(path)
    facts: dict[str, Any] = {"Title": _MARK.decode()} | ({"Date": None} if form == "svg" else {})
    with replacing(path) as temporary, mpl.rc_context({"svg.hashsalt": "roomeq"}):
        page = _drawn_on(figure) if form == "png" else "tight"
        look = {"bbox_inches": page, "dpi": _DOTS_PER_INCH, "metadata": facts}
        figure.savefig(temporary, format=form, **look)
    plt.close(figure)


def _drawn_on(figure: Any) -> Any:
    """Lay a figure out and return the part that is drawn on, with a margin, in inches.

    As "tight" is, for which matplotlib would go through all of the drawing twice.
    """
    from matplotlib import rcParams

    figure.set_dpi(_DOTS_PER_INCH)
    if layout := figure.get_layout_engine():
        layout.execute(figure)
        figure.set_layout_engine("none")
    return figure.get_tightbbox().padded(rcParams["savefig.pad_inches"])


def _refuse_strangers(path: Path) -> None:
    refuse_other_kinds(path, kind="picture", is_of_kind=_is_ours, error=FileFaultError)


def _is_ours(path: Path) -> bool:
    with path.open("rb") as file:
        return _MARK in file.read(_HEAD)
