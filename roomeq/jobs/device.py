"""What a device really does: responses with one thing or a few moved -> a profile.

Conventions
-----------
Settings and gains in dB, frequencies in Hz. Only the ratio to the flat response counts. Nothing is
written but by `write_measured_profile`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from os import PathLike, fspath

import numpy as np

from roomeq.analysis.device_fit import LEVEL, MovedResponse
from roomeq.base.record import Record
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.importers.device_profile import (
    ProfileTables,
    read_device,
    read_profile_tables,
    write_profile,
)
from roomeq.importers.text.export import read_one_response
from roomeq.jobs.measuring.findings import (
    FilterRow,
    MoveRow,
    filter_row,
    fit_described,
    move_row,
)
from roomeq.jobs.measuring.stated import comments_of, law_of, measured_tables

Named = tuple[str, str | PathLike[str]]


class DeviceMeasurement(Record, frozen=True, kw_only=True):
    """What was found of a device.

    Attributes
    ----------
    device : str
        Name in the profile that one started from.
    rows : tuple of MoveRow
    filters : tuple of FilterRow
    laws : dict of str to str
        By band whose Q was told: "constant" or "follows" its gain, by two gains or more; "assumed"
        by one.
    offsets_db : dict of str to float
        Levels that differed by more than what was moved, by response; taken out.
    misfits : tuple of str
        Responses that the bands moved do not describe.
    profile : ProfileTables
    """

    device: str
    rows: tuple[MoveRow, ...]
    filters: tuple[FilterRow, ...]
    laws: dict[str, str]
    offsets_db: dict[str, float]
    misfits: tuple[str, ...]
    profile: ProfileTables

    @property
    def all_told(self) -> bool:
        """Whether everything that was moved could be told."""
        return not any(one.doubt for one in self.rows) and not any(f.doubt for f in self.filters)

    @property
    def any_told(self) -> bool:
        """Whether anything that was moved could be told."""
        return any(one.told for one in self.rows) or any(not f.doubt for f in self.filters)


def measure_device(
    flat: str | PathLike[str],
    moved: Sequence[Named] = (),
    *,
    low_pass: Sequence[Named] = (),
    high_pass: Sequence[Named] = (),
    base: str | PathLike[str] = "nine_band",
    name: str | None = None,
) -> DeviceMeasurement:
    """Tell what a device does from responses with one thing or a few moved.

    Parameters
    ----------
    flat : path-like
        Response with all bands at 0 and the filters off: at the terminals, or by a microphone close
        to the cone that stays where it is.
    moved : sequence of (str, path-like)
        What was moved, and the response: ``"40:-6"``, ``"40:-6,63:+3"``, ``"level:-10"`` (change of
        the level knob).
    low_pass, high_pass : sequence of (str, path-like)
        The corner as the device calls it, and the response with that filter on.
    base : str or path-like
        Profile that says which bands there are, and what is not measured.
    name : str, optional
        Of the device.

    Returns
    -------
    DeviceMeasurement

    Raises
    ------
    ValueError
        If what was moved is not understood or is none of the device's, or a response is too coarse.
    MeasurementFileError, DeviceProfileError
        If a file cannot be read.
    """
    if not (moved or low_pass or high_pass):
        raise ValueError("nothing was moved: give --moved, --low-pass or --high-pass with a file")
    device, tables = read_device(base), read_profile_tables(base)
    equaliser = device.equaliser
    if equaliser.shapes is not None:
        raise ValueError(f"{fspath(base)} holds measured shapes: start from another profile")
    against = read_one_response(flat, named_in="roomeq device")

    def ratio(path: str | PathLike[str], moves: Sequence[tuple[str, float]] = ()) -> MovedResponse:
        response = read_one_response(path, named_in="roomeq device")
        return MovedResponse.of(against, response, name=fspath(path), moves=moves)

    responses = [ratio(path, _moves(spec, equaliser)) for spec, path in moved]
    if len({one.name for one in responses}) < len(responses):
        raise ValueError("a response is given twice")
    filters = [filter_row(ratio(path), "low_pass", mark) for mark, path in low_pass]
    filters += [filter_row(ratio(path), "high_pass", mark) for mark, path in high_pass]
    centres = {band.label: band.nominal for band in equaliser.bands}
    fit, misfits = fit_described(responses, centres)
    names = [*equaliser.labels, LEVEL]
    moves = {move for one in responses for move in one.moves}
    rows = [
        move_row(fit, responses, misfits, centres, move)
        for move in sorted(moves, key=lambda move: (names.index(move[0]), move[1]))
    ]
    laws = {label: law for label in names if (law := law_of(label, rows))}
    follows = "follows" in laws.values()
    return DeviceMeasurement(
        device=device.name,
        rows=tuple(rows),
        filters=tuple(filters),
        laws=laws,
        offsets_db=fit.offsets_db,
        misfits=misfits,
        profile=measured_tables(tables, rows, filters, follows=follows, name=name),
    )


def write_measured_profile(found: DeviceMeasurement, path: str | PathLike[str]) -> None:
    """Write the profile of a measured device; raises as `write_profile`."""
    comments = comments_of(found.profile, found.rows, found.filters)
    write_profile(found.profile, path, comments=comments)


def _moves(spec: str, equaliser: FixedBandEqualiser) -> list[tuple[str, float]]:
    """Return labels and settings of what was moved.

    Raises
    ------
    ValueError
        If it is not understood, names no band, one twice, or a setting that the device has not.
    """
    found: dict[str, float] = {}
    for part in spec.split(","):
        name, _, gain = part.strip().partition(":")
        try:
            setting = float(gain)
        except ValueError:
            setting = math.nan
        if not (math.isfinite(setting) and setting):
            raise ValueError(
                f"--moved {spec}: {part.strip()!r} needs a band and a gain other than 0, as in "
                "40:-6 or 40:-6,63:+3"
            )
        label = LEVEL if name == LEVEL else equaliser.labels[equaliser.index_of(name)]
        if label in found:
            raise ValueError(f"--moved {spec}: {label} is given twice")
        if label != LEVEL and not np.min(np.abs(equaliser.gain_grid_db - setting)) < 1e-6:
            raise ValueError(
                f"--moved {spec}: {label} Hz takes {equaliser.lowest_db:g} to "
                f"{equaliser.highest_db:g} dB in steps of {equaliser.step_db:g} dB by the profile "
                "that one starts from (--device)"
            )
        found[label] = setting
    return list(found.items())
