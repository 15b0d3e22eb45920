"""Device profiles: what a subwoofer's amplifier offers, read from TOML.

Conventions
-----------
Gains and levels in dB, frequencies in Hz, phase in degrees. A profile is named after a shipped one,
or is a file; nothing in it is guessed: what a device does not offer is left out of its file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import nullcontext
from importlib import resources
from itertools import starmap
from os import PathLike
from pathlib import Path
from typing import Annotated, Any

import msgspec
import numpy as np

from roomeq.base.bands import device_band, third_octave_band
from roomeq.base.errors import DeviceProfileError
from roomeq.base.files import refuse_other_kinds, replacing
from roomeq.base.toml_keys import toml_value
from roomeq.base.toml_lines import KeyPath
from roomeq.base.toml_tables import Plausible, StrictTable, TomlTables, read_toml_tables
from roomeq.device.equaliser import BandShape, FixedBandEqualiser, QLaw
from roomeq.device.found_band import CENTRE, GAIN, FoundBand
from roomeq.device.profile import Device, FilterChoice, LevelKnob, PhaseControl
from roomeq.importers.text.export import read_one_response

FORMAT = 1
PROFILES = resources.files("roomeq.device").joinpath("profiles")
"""Folder of the shipped ones."""


class QByGainTable(StrictTable, frozen=True, kw_only=True):
    """``[equaliser.q_by_gain]``: Q at magnitudes of gain.

    Attributes
    ----------
    gain_db : [3.0, 6.0]
        Magnitudes, rising.
    q : [2.2, 3.2]
        Q at each of them.
    """

    gain_db: Annotated[tuple[float, ...], GAIN]
    q: tuple[float, ...]


class ShapeTable(StrictTable, frozen=True, kw_only=True):
    """``[[equaliser.shapes]]``: a band as it was measured on the device at one gain.

    Attributes
    ----------
    centre : 40
        Nominal centre of the band.
    gain_db : 6.0
        Gain that was set.
    file : "40_up.txt"
        The measured response: two columns, Hz and dB.
    """

    centre: Annotated[float, CENTRE]
    gain_db: Annotated[float, GAIN]
    file: str


class EqualiserTable(StrictTable, frozen=True, kw_only=True):
    """``[equaliser]``: bands, range, step; one of q, q_by_gain and shapes.

    Attributes
    ----------
    centres : [20, 25, 31.5]
        What the device calls its bands.
    measured_centres : [20.3, 25.1, 31.0]
        Where they were found to lie.
    lowest_db : -12.0
        Deepest cut.
    highest_db : 6.0
        Highest boost.
    step_db : 0.5
        Step of the gains.
    q : 4.318
        Q of all bands at all gains.
    q_measured
        Whether q was measured on the device.
    sample_rate : 48000
        Of a digital device; without it an analogue device.
    found
        What ``roomeq device`` told of single bands, which goes before the rest.
    """

    centres: Annotated[tuple[float, ...], CENTRE]
    measured_centres: Annotated[tuple[float, ...], CENTRE] = ()
    lowest_db: Annotated[float, GAIN]
    highest_db: Annotated[float, GAIN]
    step_db: Annotated[float, Plausible(0.0, 60.0, "dB")]
    q: float | None = None
    q_by_gain: QByGainTable | None = None
    shapes: tuple[ShapeTable, ...] = ()
    found: tuple[FoundBand, ...] = ()
    q_measured: bool = False
    sample_rate: Annotated[float | None, Plausible(1000.0, 768000.0, "Hz")] = None


class MemoryTable(StrictTable, frozen=True, kw_only=True):
    """``[memory]``: how many settings the device stores.

    Attributes
    ----------
    stored_settings : 2
        How many settings it stores.
    """

    stored_settings: int


class ProfileTables(StrictTable, frozen=True, kw_only=True):
    """``FILE.toml``: what a device offers; what it does not offer is left out.

    Attributes
    ----------
    format : 1
        Version of the file's format.
    name : "Nine bands"
        Of the device.
    note : "typical values"
        Anything worth telling.
    polarity
        Whether polarity can be inverted.
    """

    format: int
    name: str
    equaliser: EqualiserTable
    note: str | None = None
    level: LevelKnob | None = None
    low_pass: FilterChoice | None = None
    protection: FilterChoice | None = None
    phase: PhaseControl | None = None
    polarity: bool = True
    memory: MemoryTable | None = None


def shipped_profiles() -> tuple[str, ...]:
    """Return the names of the profiles that come with roomeq."""
    return tuple(sorted(Path(entry.name).stem for entry in PROFILES.iterdir()))


def read_device(profile: str | PathLike[str], *, folder: str | PathLike[str] = ".") -> Device:
    """Read a device profile.

    Parameters
    ----------
    profile : str or path-like
        Name of a shipped profile, or a TOML file.
    folder : path-like
        Folder to which a file is relative.

    Returns
    -------
    Device

    Raises
    ------
    DeviceProfileError
        If there is no such profile, or its file is not valid.
    """
    read = _read_tables(profile, Path(folder))
    tables = read.tables
    return Device(
        name=tables.name,
        note=tables.note or "",
        profile=str(profile),
        equaliser=_equaliser(read),
        level=tables.level,
        low_pass=tables.low_pass,
        protection=tables.protection,
        phase=tables.phase,
        polarity=tables.polarity,
        stored_settings=tables.memory.stored_settings if tables.memory else 0,
    )


def read_profile_tables(profile: str | PathLike[str]) -> ProfileTables:
    """Return the tables of a profile as they are written; raises as `read_device`."""
    return _read_tables(profile, Path()).tables


def _read_tables(profile: str | PathLike[str], folder: Path) -> TomlTables[ProfileTables]:
    shipped = isinstance(profile, str) and profile in shipped_profiles()
    place = resources.as_file(PROFILES.joinpath(f"{profile}.toml"))
    with place if shipped else nullcontext(folder / profile) as location:
        read = read_toml_tables(
            location,
            ProfileTables,
            error_class=DeviceProfileError,
            version=FORMAT,
            missing_remedy=f"give a TOML file, or one of {', '.join(shipped_profiles())}",
        )
    _check_knobs(read)
    return read


def write_profile(
    tables: ProfileTables, path: str | PathLike[str], *, comments: Mapping[KeyPath, str]
) -> None:
    """Write a profile where there is no file yet.

    Parameters
    ----------
    tables : ProfileTables
    path : path-like
    comments : mapping of key path to str
        What is said above a key or a table.

    Raises
    ------
    DeviceProfileError
        If there is a file of that name, or a link or device: it is left as it is.
    OSError
        If the folder does not exist or cannot be written to.
    """
    refuse_profile_file(path)
    text = "".join(f"{line}\n" for line in _toml_lines(msgspec.to_builtins(tables), (), comments))
    with replacing(Path(path)) as temporary:
        temporary.write_text(text, encoding="utf-8")


def refuse_profile_file(path: str | PathLike[str]) -> None:
    """Raise if a profile cannot be written there, before anything is measured.

    Raises
    ------
    DeviceProfileError, OSError
        As `write_profile`.
    """
    refuse_other_kinds(Path(path), kind="profile", is_of_kind=None, error=DeviceProfileError)


def _toml_lines(
    table: dict[str, Any], path: KeyPath, comments: Mapping[KeyPath, str]
) -> Iterator[str]:
    """Yield a table as TOML: plain keys, then tables, lists of tables within lists in line."""
    inner: list[tuple[str, KeyPath, dict[str, Any]]] = []
    for key, value in table.items():
        own = (*path, key)
        name = ".".join(map(str, own))
        if isinstance(value, dict):
            inner.append((f"[{name}]", own, value))
        elif value in (None, [], ()):
            continue
        elif isinstance(value, list | tuple) and isinstance(value[0], dict) and len(path) < 2:
            inner += [(f"[[{name}]]", (*own, index), entry) for index, entry in enumerate(value)]
        else:
            yield from _comment(comments, own)
            yield f"{key} = {toml_value(value, quoted=False)}"
    for header, own, entry in inner:
        yield from ("", *_comment(comments, own), header)
        yield from _toml_lines(entry, own, comments)


def _comment(comments: Mapping[KeyPath, str], path: KeyPath) -> list[str]:
    return [f"# {comments[path]}"] if path in comments else []


def _check_knobs(read: TomlTables[ProfileTables]) -> None:
    tables = read.tables
    level, phase = tables.level, tables.phase
    if level and not (
        level.lowest_db <= level.highest_db and level.step_db > 0 and level.scale > 0
    ):
        raise read.fault("lowest_db must not exceed highest_db, steps be positive", "level")
    if phase and not (phase.lowest_deg <= phase.highest_deg and phase.step_deg > 0):
        raise read.fault("range or step is not usable", "phase")
    for key, choice in (("low_pass", tables.low_pass), ("protection", tables.protection)):
        if choice is None:
            continue
        even = choice.family == "linkwitz_riley"
        known = range(2, 9, 2) if even else range(1, 9)
        if not choice.orders or not choice.corners or not {*choice.orders} <= {*known}:
            all_even = ", a Linkwitz-Riley filter even ones" if even else ""
            raise read.fault(f"needs corners, and orders from 1 to 8{all_even}", key)


def _q_law(read: TomlTables[ProfileTables]) -> QLaw:
    table = read.tables.equaliser
    given = [table.q is not None, table.q_by_gain is not None, bool(table.shapes)]
    if sum(given) != 1:
        how_often = "more than once" if any(given) else "nowhere"
        remedy = "give one of q, [equaliser.q_by_gain] and [[equaliser.shapes]]"
        said = f"the width of the bands is given {how_often}"
        raise read.fault(said, "equaliser", remedy=remedy)
    law = table.q_by_gain
    if law is not None:
        gain_db, q = np.array(law.gain_db), np.array(law.q)
        return QLaw(gain_db=gain_db, q=q, measured=table.q_measured)
    return QLaw.constant(
        1.0 if table.q is None else table.q, measured=table.q_measured or bool(table.shapes)
    )


def _equaliser(read: TomlTables[ProfileTables]) -> FixedBandEqualiser:
    table = read.tables.equaliser
    measured = table.measured_centres or (None,) * len(table.centres)
    if len(measured) != len(table.centres):
        raise read.fault("needs one for each centre", "equaliser", "measured_centres")
    found = {band.centre: band for band in table.found}
    if not (set(found) <= set(table.centres) and len(found) == len(table.found)):
        raise read.fault("each is one of centres, given once", "equaliser", "found")
    if table.shapes and found:
        raise read.fault("goes without [[equaliser.shapes]]", "equaliser", "found")
    known = tuple(
        (found[centre].measured_centre if centre in found else None) or own
        for centre, own in zip(table.centres, measured, strict=True)
    )
    try:
        return FixedBandEqualiser(
            bands=tuple(starmap(device_band, zip(table.centres, known, strict=True))),
            lowest_db=table.lowest_db,
            highest_db=table.highest_db,
            step_db=table.step_db,
            q_law=_q_law(read),
            sample_rate=table.sample_rate,
            shapes=_shapes(read),
            found=table.found,
        )
    except ValueError as error:
        raise read.fault(str(error), "equaliser") from error


def _shapes(read: TomlTables[ProfileTables]) -> tuple[tuple[BandShape, ...], ...] | None:
    table = read.tables.equaliser
    by_band: dict[int, list[BandShape]] = {
        third_octave_band(centre).number: [] for centre in table.centres
    }
    for index, shape in enumerate(table.shapes):
        number = third_octave_band(shape.centre).number
        if number not in by_band:
            said = f"{shape.centre:g} Hz is none of the bands"
            raise read.fault(said, "equaliser", "shapes", index)
        file = read.location.parent / shape.file
        measured = read_one_response(file, named_in="[[equaliser.shapes]]")
        axis, response_db = measured.frequencies, measured.level_db
        by_band[number].append(
            BandShape(gain_db=shape.gain_db, frequencies=axis, response_db=response_db)
        )
    return tuple(map(tuple, by_band.values())) if table.shapes else None
