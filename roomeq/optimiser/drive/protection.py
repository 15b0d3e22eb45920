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
from enum import StrEnum

import numpy as np

from roomeq.base.bands import third_octave_band
from roomeq.base.levels import FloatArray
from roomeq.base.record import Record
from roomeq.device.crossover import (
    CrossoverFilter,
    HighPass,
    filter_of,
    high_pass_change_db,
    high_pass_db,
)
from roomeq.device.driver import Box, moved_displacement_db
from roomeq.device.profile import FilterChoice
from roomeq.optimiser.drive.headroom import Headroom

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
    now, kept = HighPass.of(present), ProtectionChange.KEPT
    if offered is None or not present_known:
        reason = ProtectionReason.NO_CHOICE if offered is None else ProtectionReason.PRESENT_UNKNOWN
        return ProtectionChoice(high_pass=now, present=now, change=kept, reason=reason)
    scene = _Scene(now, headroom, box, offered)
    orders = [n for n in offered.orders if offered.family == "butterworth" or n % 2 == 0]
    others: list[HighPass | None] = [
        HighPass(family=offered.family, order=order, corner=corner)
        for corner in sorted(offered.corners)
        for order in sorted(orders)
    ]
    others += [None] if offered.can_bypass else []
    candidates = tuple(map(scene.candidate, (now, *(one for one in others if one != now))))
    chosen = scene.mildest(candidates)
    reason, band, value_db = scene.why(chosen, candidates)
    change = kept
    if chosen is not candidates[0]:
        off = chosen.high_pass is None
        weaker = ProtectionChange.SWITCHED_OFF if off else ProtectionChange.WEAKENED
        change = weaker if chosen.weaker else ProtectionChange.STRENGTHENED
    unrelieved, unrelieved_db = scene.worst(chosen.high_pass)
    return ProtectionChoice(
        high_pass=chosen.high_pass,
        present=now,
        change=change,
        reason=reason,
        band=band,
        value_db=value_db,
        unrelieved=unrelieved,
        unrelieved_db=unrelieved_db,
        candidates=candidates,
    )


class _Scene:
    """What every candidate is judged against; arrays by band, nan where nothing is known."""

    def __init__(
        self, present: HighPass | None, headroom: Headroom, box: Box | None, offered: FilterChoice
    ) -> None:
        self.present, self.box, self.corners = present, box, offered.corners
        self.bands = [entry.band for entry in headroom.bands]
        self.centres = np.array([band.centre for band in self.bands])
        self.driver_db, self.assured_db = (
            np.array([getattr(entry, name) for entry in headroom.bands], dtype=np.float64)
            for name in ("driver_db", "assured_db")
        )
        self.evidence = np.flatnonzero(~np.isnan(self.assured_db))

    def more_db(self, other: HighPass | None, frequencies: FloatArray) -> FloatArray:
        """Return how much more a filter lets through than the present one."""
        return high_pass_change_db(filter_of(self.present), filter_of(other), frequencies)

    def lacking_db(self, other: HighPass | None) -> FloatArray:
        """Return by how much the driver is short behind a filter; 0 where that is not known."""
        return np.fmax(self.more_db(other, self.centres) - self.driver_db, 0.0)

    def worst(self, other: HighPass | None) -> tuple[str | None, float | None]:
        """Return the band in which the driver is shortest behind a filter, and by how much."""
        lacking = self.lacking_db(other)
        most = int(np.argmax(lacking))
        return (self.bands[most].label, float(lacking[most])) if lacking[most] else (None, None)

    def candidate(self, other: HighPass | None) -> ProtectionCandidate:
        axis = np.geomspace(_LOWEST, 200.0, 4 * _POINTS_BELOW)
        weaker = bool((self.more_db(other, axis) > _WEAKER_DB).any())
        refused, refused_at = self._refusal(other, weaker=weaker)
        highest = third_octave_band(max(self.corners)).number
        relievable = [band.number <= highest for band in self.bands]
        return ProtectionCandidate(
            high_pass=other,
            weaker=weaker,
            loss_db=float(0.0 - np.mean(high_pass_db(filter_of(other), self.centres))),
            shortage_db=float(self.lacking_db(other)[relievable].sum()),
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
        if not self.evidence.size:
            return ProtectionReason.NO_EVIDENCE, None
        if self.box is None:
            return ProtectionReason.BOX_UNKNOWN, None
        more, untold = self.more_db(other, self.centres), np.isnan(self.assured_db)
        short = np.fmin(self.assured_db, self.driver_db) < more
        untold_above = untold & (np.arange(more.size) > self.evidence[0])
        wrong = np.flatnonzero((more > _WEAKER_DB) & np.where(untold, untold_above, short))
        if wrong.size:
            there = ProtectionReason.NO_EVIDENCE_THERE
            reason = there if untold[wrong[0]] else ProtectionReason.NOT_ASSURED
            return reason, float(self.centres[wrong[0]])
        return self._refusal_below(other, self.box)

    def _refusal_below(
        self, other: HighPass | None, box: Box
    ) -> tuple[ProtectionReason | None, float | None]:
        """Judge what lies below the lowest band with evidence."""
        lowest = self.evidence[0]
        edge = self.bands[lowest].lower
        corner = min(self.corners) if other is None else other.corner
        if edge > corner:
            return ProtectionReason.NO_EVIDENCE_THERE, corner
        axis = np.geomspace(min(_LOWEST, 0.5 * edge), edge, _POINTS_BELOW)
        moved, assured = (
            moved_displacement_db(box, (filter_of(one),), at)
            for one, at in ((other, axis), (self.present, [self.centres[lowest]]))
        )
        over = moved - (assured + self.assured_db[lowest])
        over[self.more_db(other, axis) <= _WEAKER_DB] = -math.inf
        if over.max() > 0:
            return ProtectionReason.MOVES_TOO_FAR_BELOW, float(axis[int(np.argmax(over))])
        return None, None

    def mildest(self, candidates: tuple[ProtectionCandidate, ...]) -> ProtectionCandidate:
        """Return the least short, then least costly; the present one where it is as good."""
        allowed = [entry for entry in candidates if entry.refused is None]
        present = candidates[0]
        if not allowed:
            return present
        least = min(entry.shortage_db for entry in allowed)
        short = [entry for entry in allowed if entry.shortage_db <= least + _SHORTAGE_STEP_DB]
        best = min(short, key=lambda entry: (round(entry.loss_db, 6), entry.shortage_db))
        return present if present in short and not self._worth(best) else best

    def _worth(self, candidate: ProtectionCandidate) -> bool:
        """Whether a filter gives some wanted band at least half a decibel more than the present."""
        return float(self.more_db(candidate.high_pass, self.centres).max()) >= _WORTH_DB

    def why(
        self, chosen: ProtectionCandidate, candidates: tuple[ProtectionCandidate, ...]
    ) -> tuple[ProtectionReason, str | None, float | None]:
        """Return why one is chosen, and the band and the figure that the reason speaks of."""
        present = candidates[0]
        if chosen is present:
            return self._why_kept(candidates), None, None
        if present.refused is ProtectionReason.VENTED_BOX:
            return ProtectionReason.VENTED_BOX, None, None
        if present.shortage_db > chosen.shortage_db + _SHORTAGE_STEP_DB:
            return ProtectionReason.RELIEF_NEEDED, *self.worst(self.present)
        least = int(np.nanargmin(self.assured_db))
        value_db = float(self.assured_db[least])
        return ProtectionReason.CLEAN_TO_SPARE, self.bands[least].label, value_db

    def _why_kept(self, candidates: tuple[ProtectionCandidate, ...]) -> ProtectionReason:
        """Say what kept the present one: no better one, no evidence, or a refusal of the better."""
        present = candidates[0]
        if present.refused is not None:
            return present.refused
        if not self.evidence.size and np.isnan(self.driver_db).all():
            return ProtectionReason.NO_EVIDENCE
        if self.lacking_db(self.present).max() > _SHORTAGE_STEP_DB:
            return ProtectionReason.CANNOT_RELIEVE
        milder = [entry for entry in candidates[1:] if entry.loss_db < present.loss_db]
        refused = [entry.refused for entry in milder if self._worth(entry) and entry.refused]
        if refused:
            return refused[0]
        return ProtectionReason.NOT_WORTH_MOVING if milder else ProtectionReason.WITHIN_HEADROOM
