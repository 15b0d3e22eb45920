"""A room: survey, device, target and limits, and what had to be taken for granted.

Conventions
-----------
Everything that was not stated but had to be taken for something is listed in `assumptions`, in
words. Frequencies in Hz, levels in dB.

What is known for joining subwoofer and mains: time reference, paths, what can be set.

What is not known is None. Delays in s, those of the subwoofer against the mains: positive is later.

How much each recorded sweep counts in the fit, by what was found wrong with it.

The rule is plain, so that it can be said in one sentence (common practice, no source):

* A recording that says nothing of its seat (silent, another sweep, another rate, channels swapped,
  the same as another) is left out; it never became a measurement.
* One that a fault has spoilt where it is used (a slam, clipping, lost samples, a missing end) is
  left out, by every command, where its seat has a sound recording of the same source; else its
  seat counts half.
* Noise counts by band, not by seat: see `roomeq.optimiser.bands.fit_data.FitData.noise_weights`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from roomeq.base.files import InputFile
from roomeq.base.levels import ComplexArray, FloatArray, readonly
from roomeq.base.record import html_table
from roomeq.base.response import FrequencyResponse, LevelReference
from roomeq.base.survey import Measurement, Source, Survey
from roomeq.device.crossover import CrossoverFilter, MainsBox
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.device.processor import DelayRange, JoiningSettings
from roomeq.device.profile import Device, FilterChoice
from roomeq.room.equipment import Equipment, WantedLevel
from roomeq.room.recorded import RecordedSweep
from roomeq.wanted.limits import Limits
from roomeq.wanted.loss import Loss
from roomeq.wanted.span import fit_span
from roomeq.wanted.target import Target

if TYPE_CHECKING:
    from pandas import DataFrame


Joined = dict[Literal["fed_by", "delay_ms", "polarity", "phase_deg"], float | str | None]
"""What joins a subwoofer to others, by name; None where it is not known."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PathResponse:
    """A response of the subwoofer's path by itself.

    Attributes
    ----------
    response : FrequencyResponse
    taken : {"close", "electrical"}
        By a microphone close to the cone, or at the amplifier's terminals.
    file : str
    """

    response: FrequencyResponse
    taken: Literal["close", "electrical"]
    file: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JoiningSetup:
    """All that joining needs to know beyond the measurements.

    Attributes
    ----------
    common_time_reference : bool or None
        Whether subwoofer and mains were measured against one time zero; None is not stated.
    subwoofer_is : {"late", "early"} or None
        What a deciding measurement told where only levels are known; None if it was not made.
    present_delay : float
        Of the subwoofer against the mains while measuring, as far as the processor makes it.
    delays : DelayRange or None
        Delays that can be set.
    high_pass, low_pass : FilterChoice or None
        What the processor offers for mains and subwoofer.
    same_corner : bool
        Whether one knob of the processor sets both corners.
    mains : MainsBox or None
    mains_path : tuple of CrossoverFilter or None
        Electrical filters in force in the mains' path; None where they are not stated.
    fixed : tuple of int
        Places in the subwoofer's path of low-passes that cannot be bypassed.
    path_response : PathResponse or None
    level_trim : bool
        Whether the processor trims levels by itself.
    """

    common_time_reference: bool | None = None
    subwoofer_is: Literal["late", "early"] | None = None
    present_delay: float = 0.0
    delays: DelayRange | None = None
    high_pass: FilterChoice | None = None
    low_pass: FilterChoice | None = None
    same_corner: bool = False
    mains: MainsBox | None = None
    mains_path: tuple[CrossoverFilter, ...] | None = None
    fixed: tuple[int, ...] = ()
    path_response: PathResponse | None = None
    level_trim: bool = False

    @property
    def mains_filters(self) -> tuple[CrossoverFilter, ...] | None:
        """High-passes of the mains, electrical and that of their box.

        None where the electrical ones are not stated: the box alone would be taken for all. Empty
        where it is stated that there are none, and nothing of the box.
        """
        if self.mains_path is None:
            return None
        box = () if self.mains is None else (self.mains.roll_off,)
        return (*self.mains_path, *box)


CornerOrigin = Literal["path", "stated", "none", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PresentSettings:
    """The device's settings while it was measured.

    Attributes
    ----------
    gains_db : ndarray, shape (B,)
        Gain of every band.
    level_db : float or None
        Level knob; None where it is not known.
    polarity : {"normal", "inverted"} or None
    phase_deg : float or None
    gains_stated : bool
        Whether the gains were stated; else they are taken for 0.
    delay_stated : bool
        Whether the delay (`JoiningSetup.present_delay`) was stated; else it is taken for 0.
    """

    gains_db: FloatArray
    level_db: float | None = None
    polarity: Literal["normal", "inverted"] | None = None
    phase_deg: float | None = None
    gains_stated: bool = True
    delay_stated: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "gains_db", readonly(self.gains_db))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Room:
    """All that is known of a room.

    Attributes
    ----------
    name : str
    survey : Survey
    source : {"sub", "mains", "both"}
        Which measurements the band gains are fitted to.
    device : Device
    present : PresentSettings
    target : Target
    limits : Limits
    loss : Loss
    path : tuple of CrossoverFilter
        Filters in force in the subwoofer's path.
    corner : float or None
        Crossover corner in Hz.
    corner_origin : {"path", "stated", "none", "unknown"}
        "none" where the room file says that there is no low-pass.
    repeatability_db : float or None
    record : dict of str to str
    inputs : tuple of InputFile
    assumptions, notes, findings : tuple of str
        What was taken for granted; what importers did; what looks wrong.
    equipment : Equipment
        Amplifier, load, driver, protective high-pass, as far as they are known.
    wanted : WantedLevel or None
        How loud it is to become.
    joining : JoiningSetup
        Time reference, paths and what a processor offers, as far as they are known.
    microphone : tuple of ndarray or None
        Hz, and what the microphone file added there in dB.
    subwoofers : tuple of Subwoofer
        Each of several; `survey` then holds their sum as they are set. Empty where there is one.
    places : tuple of Subwoofer
        The subwoofer at each place where it was tried.
    recordings : tuple of RecordedSweep
        What each recorded sweep is worth, those included that were left out.
    """

    name: str
    survey: Survey
    source: Source
    device: Device
    present: PresentSettings
    target: Target
    limits: Limits
    loss: Loss
    path: tuple[CrossoverFilter, ...]
    corner: float | None
    corner_origin: CornerOrigin
    repeatability_db: float | None
    record: dict[str, str]
    inputs: tuple[InputFile, ...]
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]
    findings: tuple[str, ...]
    equipment: Equipment = field(default_factory=Equipment)
    wanted: WantedLevel | None = None
    joining: JoiningSetup = field(default_factory=JoiningSetup)
    recordings: tuple[RecordedSweep, ...] = ()
    microphone: tuple[FloatArray, FloatArray] | None = None
    subwoofers: tuple[Subwoofer, ...] = ()
    places: tuple[Subwoofer, ...] = ()

    def to_frame(self) -> DataFrame:
        """Return the measurements as a pandas table, as `Survey.to_frame` does."""
        return self.survey.to_frame()

    def _repr_html_(self) -> str:
        """Return what is known of the room, for notebooks."""
        rows = [
            ("Device", self.device.name),
            ("Fitted to", ", ".join(self.survey.of_source(self.source).seats)),
            ("In the path", "; ".join(map(str, self.path))),
            ("Crossover, Hz", self.corner),
            ("Subwoofer's own limit, Hz", self.target.lower_limit),
            *(("Found", text) for text in self.findings),
            *(("Taken for granted", text) for text in self.assumptions),
        ]
        return html_table(f"{self.name}: {repr(self.survey)[1:-1]}", ("", ""), rows)

    @property
    def equaliser(self) -> FixedBandEqualiser:
        """The device's equaliser."""
        return self.device.equaliser

    @property
    def microphone_db(self) -> Callable[[FloatArray], FloatArray] | None:
        """What the microphone file added at frequencies in Hz, in dB; None where there is none."""
        if self.microphone is None:
            return None
        frequencies, added_db = self.microphone
        return lambda at: np.asarray(np.interp(np.log(at), np.log(frequencies), added_db))

    @property
    def joined_by(self) -> Joined:
        """Delay in ms, polarity and phase in degrees as they are stated."""
        present = self.present
        delay_ms = round(1e3 * self.joining.present_delay, 6) if present.delay_stated else None
        return {"delay_ms": delay_ms, "polarity": present.polarity, "phase_deg": present.phase_deg}

    @property
    def stated_db(self) -> dict[str, float | None]:
        """What bands and level are stated to be set to, by label, in dB; level None is not."""
        gains = zip(self.equaliser.labels, self.present.gains_db.tolist(), strict=True)
        return {"level": self.present.level_db, **dict(gains if self.present.gains_stated else ())}

    @property
    def stated_path(self) -> tuple[CrossoverFilter, ...] | None:
        """Filters in the subwoofer's path; none where that is said, None where nothing is."""
        return self.path if self.path or self.corner_origin == "none" else None

    @property
    def clear_of(self) -> float | None:
        """Corner that the fit keeps clear of, in Hz: where subwoofer and mains play together."""
        return self.corner if self.source == "both" else None

    @property
    def level_reference(self) -> LevelReference:
        """Whether the fitted measurements are in dB SPL; one relative one makes all relative."""
        fitted = self.survey.of_source(self.source).measurements
        absolute = all(m.response.level_reference == "spl" for m in fitted)
        return "spl" if absolute else "relative"

    @property
    def doubtful(self) -> bool:
        """Whether anything was found that wants a look before anything is set by it."""
        return bool(self.findings) or any(one.alarms for one in self.recordings)

    def used_span(self, source: Source) -> tuple[float, float]:
        """Return from where to where, in Hz, the measurements of a source are used.

        The fitted source: the span of the fit, from half an octave below the subwoofer's lower
        limit. The mains: from half the crossover corner to 300 Hz, which tells their level. Another
        one: from there to there.
        """
        lowest, highest = fit_span(self.equaliser, clear_of=self.clear_of)
        if self.target.lower_limit is not None:
            lowest = min(max(lowest, self.target.lower_limit / 2.0**0.5), 0.9 * highest)
        if source == self.source:
            return lowest, highest
        if source == "mains":
            lowest = 0.5 * (self.corner or 80.0)
        return lowest, 300.0

    def __repr__(self) -> str:
        return f"<Room {self.name}: {self.survey!r}, device {self.device.profile}>"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Subwoofer:
    """One of several subwoofers, or one at one of the places where it was tried.

    Attributes
    ----------
    name : str
        Of the subwoofer, or of the place.
    room : Room
        What is known of it alone: its own measurements, device, settings, limits, equipment.
    fed_by : str or None
        The subwoofer whose bands, level and delay are its own as well.
    delays : DelayRange or None
        Delays that it can be given against the others; None for none.
    """

    name: str
    room: Room
    fed_by: str | None = None
    delays: DelayRange | None = None

    @property
    def present(self) -> JoiningSettings:
        """Delay and polarity that are set now."""
        inverted = self.room.present.polarity == "inverted"
        return JoiningSettings(delay=self.room.joining.present_delay, inverted=inverted)

    def response_now(self, frequencies: FloatArray) -> ComplexArray:
        """Return what bands, delay and polarity do as set now, a complex amplitude ratio, (F,)."""
        bands = self.room.equaliser.response(self.room.present.gains_db, frequencies)
        return np.asarray(bands * self.present.response(frequencies))


SPOILT_COUNTS = 0.5
"""What a seat counts whose only recording is spoilt; common practice, no source."""


def recording_counts(room: Room) -> tuple[float, ...]:
    """Return how much each recording of a room counts: 1, 0.5, or 0 where it is left out."""
    spoilt = {_measurement_of(one) for one in room.recordings if one.spoilt}
    entries = room.survey.measurements
    sound = {(one.seat, one.source) for one in entries if _measurement_of(one) not in spoilt}
    counts = []
    for one in room.recordings:
        dropped = one.left_out or (one.spoilt and (one.seat, one.source) in sound)
        counts.append(0.0 if dropped else SPOILT_COUNTS if one.spoilt else 1.0)
    return tuple(counts)


def without_spoilt(room: Room) -> Room:
    """Return a room without the spoilt recordings of seats that have a sound one."""
    counted = zip(room.recordings, recording_counts(room), strict=True)
    dropped = {_measurement_of(one) for one, n in counted if n == 0.0 and not one.left_out}
    kept = tuple(one for one in room.survey.measurements if _measurement_of(one) not in dropped)
    return replace(room, survey=replace(room.survey, measurements=kept)) if dropped else room


def weighed_room(room: Room) -> Room:
    """Return a room without spoilt recordings, where seats that have no other count less.

    What seats weigh follows the recordings of the fitted source. A room without spoilt recordings
    is returned as it is.
    """
    room = without_spoilt(room)
    survey, stated = room.survey, room.survey.seat_weights or {}
    counted = zip(room.recordings, recording_counts(room), strict=True)
    weights = {
        one.seat: counts * stated.get(one.seat, 1.0)
        for one, counts in counted
        if 0.0 < counts < 1.0 and one.source == room.source and one.seat in survey.seats
    }
    if not weights:
        return room
    return replace(room, survey=replace(survey, seat_weights={**stated, **weights}))


def _measurement_of(one: RecordedSweep | Measurement) -> tuple[str, str, str | None]:
    return one.seat, one.source, one.file
