"""Choose the protective high-pass from what the device offers.

Conventions
-----------
A high-pass of None is off. *Relief* is by how much a filter lowers drive and
displacement, in dB, against the filter that was in force while measuring; negative relief lets more
through, which makes a filter *weaker*. *Loss* is a filter's own attenuation, mean over the wanted
bands, in dB. A filter that is weaker anywhere, and off, is chosen only where distortion or a table
of maximum output assures the drive there, and a known box the displacement below.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from roomeq.base.bands import third_octave_band
from roomeq.base.levels import FloatArray
from roomeq.base.record import Record
from roomeq.device.crossover import CrossoverFilter, HighPass, filter_of
from roomeq.device.driver import Box, excursion_relief_db, moved_displacement_db
from roomeq.device.profile import FilterChoice
from roomeq.optimiser.drive.headroom import BandHeadroom, Headroom

LEAST_SHARE_OF_TUNING = 0.8
_WEAKER_DB = 0.1
_SHORTAGE_STEP_DB = 0.5
_WORTH_DB = 0.5
_LOWEST = 5.0  # Hz from which programme is reckoned with below the lowest band
_POINTS_BELOW = 48


class ProtectionChange(StrEnum):
    """What becomes of the high-pass."""

    KEPT = "kept"
    STRENGTHENED = "strengthened"
    WEAKENED = "weakened"
    SWITCHED_OFF = "switched_off"


class ProtectionReason(StrEnum):
    """Why the high-pass is chosen, or why another one is not."""

    NO_CHOICE = "no_choice"
    PRESENT_UNKNOWN = "present_unknown"
    NO_EVIDENCE = "no_evidence"
    NO_EVIDENCE_THERE = "no_evidence_there"
    BOX_UNKNOWN = "box_unknown"
    NOT_ASSURED = "not_assured"
    MOVES_TOO_FAR_BELOW = "moves_too_far_below"
    VENTED_BOX = "vented_box"
    RELIEF_NEEDED = "relief_needed"
    CLEAN_TO_SPARE = "clean_to_spare"
    WITHIN_HEADROOM = "within_headroom"
    NOT_WORTH_MOVING = "not_worth_moving"
    CANNOT_RELIEVE = "cannot_relieve"


class ProtectionCandidate(Record, frozen=True, kw_only=True):
    """One high-pass that the device offers.

    Attributes
    ----------
    high_pass : HighPass or None
    weaker : bool
        Whether it lets more than 0.1 dB more through anywhere.
    loss_db : float
        Attenuation, mean over the wanted bands.
    shortage_db : float
        Sum over the bands that a high-pass can relieve of what the driver lacks, known bands only.
    refused : ProtectionReason or None
        Why it must not be chosen.
    refused_at : float or None
        Hz to which that applies.
    """

    high_pass: HighPass | None
    weaker: bool
    loss_db: float
    shortage_db: float
    refused: ProtectionReason | None = None
    refused_at: float | None = None


class ProtectionChoice(Record, frozen=True, kw_only=True):
    """The high-pass to set.

    Attributes
    ----------
    high_pass : HighPass or None
        None is off, or not known where `reason` is "present_unknown".
    present : HighPass or None
    change : ProtectionChange
    reason : ProtectionReason
    band : str or None
        Label of the band that the reason speaks of.
    value_db : float or None
        Figure that the reason speaks of: what the driver lacks there, or has to spare.
    unrelieved : str or None
        Label of the band whose shortage no offered high-pass relieves: less level is the cure.
    unrelieved_db : float or None
        Shortage there.
    candidates : tuple of ProtectionCandidate
        All that were looked at, the present one first.
    """

    high_pass: HighPass | None
    present: HighPass | None
    change: ProtectionChange
    reason: ProtectionReason
    band: str | None = None
    value_db: float | None = None
    unrelieved: str | None = None
    unrelieved_db: float | None = None
    candidates: tuple[ProtectionCandidate, ...] = ()

    @property
    def changes(self) -> bool:
        """Whether it is to be set differently from now."""
        return self.change is not ProtectionChange.KEPT

    @property
    def known(self) -> bool:
        """Whether the device has one, and what is set is known."""
        unknown = (ProtectionReason.NO_CHOICE, ProtectionReason.PRESENT_UNKNOWN)
        return self.reason not in unknown


def choose_protection(
    offered: FilterChoice | None,
    *,
    present: CrossoverFilter | None,
    present_known: bool = True,
    headroom: Headroom,
    box: Box | None = None,
) -> ProtectionChoice:
    """Choose the mildest high-pass that keeps the driver within its headroom.

    Of the filters that may be chosen, those that leave least shortage within 0.5 dB; of these the
    one that costs least bass; the present one where no other is better by 0.5 dB in some band.

    Parameters
    ----------
    offered : FilterChoice or None
        The device's corners and orders; None where it has no high-pass.
    present : CrossoverFilter or None
        In force while measuring; None is off.
    present_known : bool
        Whether `present` is known: if not, nothing is chosen.
    headroom : Headroom
        At the wanted level, estimated with the boosts that are set or proposed.
    box : ClosedBox or VentedBox, optional
        Without it nothing weaker than the present filter is chosen.

    Returns
    -------
    ProtectionChoice

    Notes
    -----
    Below the lowest band with evidence the programme is taken to have the drive of that band; the
    driver must not move further there than it was assured to in that band. Evidence must reach down
    to the band of the weaker corner, for off to that of the lowest corner on offer. In a vented box
    the corner stays at or above 0.8 times the tuning, below which the driver is unloaded (common
    practice, no source).

    Raises
    ------
    ValueError
        If `present` is no high-pass, or a digital one.
    """
    now = HighPass.of(present)
    if offered is None or not present_known:
        reason = ProtectionReason.NO_CHOICE if offered is None else ProtectionReason.PRESENT_UNKNOWN
        return ProtectionChoice(
            high_pass=now, present=now, change=ProtectionChange.KEPT, reason=reason
        )
    scene = _Scene(present=now, headroom=headroom, box=box, corners=offered.corners)
    others = [other for other in _offered_filters(offered) if other != now]
    candidates = (scene.candidate(now), *(scene.candidate(other) for other in others))
    chosen = _mildest(candidates, scene)
    return _explained(chosen, candidates, scene)


def _offered_filters(offered: FilterChoice) -> list[HighPass | None]:
    orders = [n for n in offered.orders if offered.family == "butterworth" or n % 2 == 0]
    filters: list[HighPass | None] = [
        HighPass(family=offered.family, order=order, corner=corner)
        for corner in sorted(offered.corners)
        for order in sorted(orders)
    ]
    return [*filters, None] if offered.can_bypass else filters


def _relief_db(one: HighPass | None, frequencies: ArrayLike) -> FloatArray:
    return excursion_relief_db(filter_of(one), frequencies)


def _moved_db(box: Box, one: HighPass | None, frequencies: ArrayLike) -> FloatArray:
    return moved_displacement_db(box, () if one is None else (one.filter(),), frequencies)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scene:
    """What every candidate is judged against."""

    present: HighPass | None
    headroom: Headroom
    box: Box | None
    corners: tuple[float, ...]

    @property
    def bands(self) -> tuple[BandHeadroom, ...]:
        return self.headroom.bands

    @property
    def evidence(self) -> tuple[BandHeadroom, ...]:
        return tuple(entry for entry in self.bands if entry.assured_db is not None)

    def relief_db(self, other: HighPass | None, frequencies: ArrayLike) -> FloatArray:
        return np.asarray(_relief_db(other, frequencies) - _relief_db(self.present, frequencies))

    def shortages(self, other: HighPass | None) -> Iterator[tuple[BandHeadroom, float]]:
        """Return the bands in which the driver is short behind a filter, and by how much."""
        for entry in self.bands:
            if entry.driver_db is not None:
                left = entry.driver_db + float(self.relief_db(other, [entry.band.centre])[0])
                if left < 0:
                    yield entry, -left

    def relievable(self, entry: BandHeadroom) -> bool:
        """Whether a band lies no higher than the highest corner's own."""
        return entry.band.number <= third_octave_band(max(self.corners)).number

    def candidate(self, other: HighPass | None) -> ProtectionCandidate:
        axis = np.geomspace(_LOWEST, 200.0, 4 * _POINTS_BELOW)
        weaker = bool((self.relief_db(other, axis) < -_WEAKER_DB).any())
        refused, refused_at = self._refusal(other, weaker=weaker)
        centres = [entry.band.centre for entry in self.bands]
        return ProtectionCandidate(
            high_pass=other,
            weaker=weaker,
            loss_db=float(np.mean(_relief_db(other, centres))),
            shortage_db=sum(
                short for entry, short in self.shortages(other) if self.relievable(entry)
            ),
            refused=refused,
            refused_at=refused_at,
        )

    def _refusal(
        self, other: HighPass | None, *, weaker: bool
    ) -> tuple[ProtectionReason | None, float | None]:
        tuning = None if self.box is None else self.box.unloads_below
        if tuning is not None and (
            other is None or other.corner < LEAST_SHARE_OF_TUNING * tuning * (1.0 - 1e-9)
        ):
            return ProtectionReason.VENTED_BOX, tuning
        if not weaker:
            return None, None
        if not self.evidence:
            return ProtectionReason.NO_EVIDENCE, None
        if self.box is None:
            return ProtectionReason.BOX_UNKNOWN, None
        for entry in self.bands:
            relief = float(self.relief_db(other, [entry.band.centre])[0])
            if relief >= -_WEAKER_DB:
                continue
            if entry.assured_db is None:
                if entry.band.number > self.evidence[0].band.number:
                    return ProtectionReason.NO_EVIDENCE_THERE, entry.band.centre
                continue
            known = (
                [entry.assured_db]
                if entry.driver_db is None
                else [entry.assured_db, entry.driver_db]
            )
            if min(known) + relief < 0:
                return ProtectionReason.NOT_ASSURED, entry.band.centre
        return self._refusal_below(other)

    def _refusal_below(
        self, other: HighPass | None
    ) -> tuple[ProtectionReason | None, float | None]:
        """Judge what lies below the lowest band with evidence."""
        assert self.box is not None
        lowest = self.evidence[0]
        assert lowest.assured_db is not None
        corner = min(self.corners) if other is None else other.corner
        if lowest.band.lower > corner:
            return ProtectionReason.NO_EVIDENCE_THERE, corner
        axis = np.geomspace(min(_LOWEST, 0.5 * lowest.band.lower), lowest.band.lower, _POINTS_BELOW)
        moved = _moved_db(self.box, other, axis)
        assured = _moved_db(self.box, self.present, [lowest.band.centre])[0]
        over = moved - (assured + lowest.assured_db)
        over[self.relief_db(other, axis) >= -_WEAKER_DB] = -math.inf
        if over.max() > 0:
            return ProtectionReason.MOVES_TOO_FAR_BELOW, float(axis[int(np.argmax(over))])
        return None, None


def _mildest(candidates: tuple[ProtectionCandidate, ...], scene: _Scene) -> ProtectionCandidate:
    """Return the least short, then least costly candidate; the present one where it is as good."""
    allowed = [entry for entry in candidates if entry.refused is None]
    present = candidates[0]
    if not allowed:
        return present
    least = min(entry.shortage_db for entry in allowed)
    short = [entry for entry in allowed if entry.shortage_db <= least + _SHORTAGE_STEP_DB]
    best = min(short, key=lambda entry: (round(entry.loss_db, 6), entry.shortage_db))
    if present in short and not _worth(best, scene):
        return present
    return best


def _worth(candidate: ProtectionCandidate, scene: _Scene) -> bool:
    """Whether a filter gives some wanted band at least half a decibel more than the present."""
    centres = [entry.band.centre for entry in scene.bands]
    return float(scene.relief_db(candidate.high_pass, centres).min()) <= -_WORTH_DB


def _explained(
    chosen: ProtectionCandidate, candidates: tuple[ProtectionCandidate, ...], scene: _Scene
) -> ProtectionChoice:
    present = candidates[0]
    change = ProtectionChange.KEPT
    band: str | None = None
    value_db: float | None = None
    if chosen is not present:
        change = ProtectionChange.STRENGTHENED
        if chosen.weaker:
            off = chosen.high_pass is None
            change = ProtectionChange.SWITCHED_OFF if off else ProtectionChange.WEAKENED
    worst = max(scene.shortages(scene.present), key=lambda found: found[1], default=None)
    if chosen is present:
        reason = _why_kept(candidates, scene)
    elif present.refused is ProtectionReason.VENTED_BOX:
        reason = ProtectionReason.VENTED_BOX
    elif present.shortage_db > chosen.shortage_db + _SHORTAGE_STEP_DB and worst is not None:
        reason = ProtectionReason.RELIEF_NEEDED
        band, value_db = worst[0].label, worst[1]
    else:
        reason = ProtectionReason.CLEAN_TO_SPARE
        least = min(scene.evidence, key=lambda entry: entry.assured_db or 0.0)
        band, value_db = least.label, least.assured_db
    left = max(scene.shortages(chosen.high_pass), key=lambda found: found[1], default=None)
    return ProtectionChoice(
        high_pass=chosen.high_pass,
        present=present.high_pass,
        change=change,
        reason=reason,
        band=band,
        value_db=value_db,
        unrelieved=None if left is None else left[0].label,
        unrelieved_db=None if left is None else left[1],
        candidates=candidates,
    )


def _why_kept(candidates: tuple[ProtectionCandidate, ...], scene: _Scene) -> ProtectionReason:
    """Say what kept the present filter: no better one, no evidence, or a refusal of the better."""
    present = candidates[0]
    if present.refused is not None:
        return present.refused
    if not scene.evidence and all(entry.driver_db is None for entry in scene.bands):
        return ProtectionReason.NO_EVIDENCE
    if any(short > _SHORTAGE_STEP_DB for _, short in scene.shortages(scene.present)):
        return ProtectionReason.CANNOT_RELIEVE
    milder = [entry for entry in candidates[1:] if entry.loss_db < present.loss_db]
    refused = [entry.refused for entry in milder if _worth(entry, scene) and entry.refused]
    if refused:
        return refused[0]
    return ProtectionReason.NOT_WORTH_MOVING if milder else ProtectionReason.WITHIN_HEADROOM
