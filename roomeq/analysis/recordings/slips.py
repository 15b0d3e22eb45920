"""Samples lost, or put in, between two moments of a recording: a step of all later delays.

Conventions
-----------
A *slip* is in s, positive where samples were lost, so that all that follows comes too early. Clock
drift moves the delay steadily, a slip once: which of both explains a recording better decides. A
slip of d during the sweep, when it passes the frequency g, turns the phase of the frequencies above
g by ``2 pi f d``; those near g are blurred over about ``sqrt(g / L)`` and left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from roomeq.analysis.recordings.drift import elapsed_phase
from roomeq.analysis.recordings.findings import Finding, FindingCode, Severity, confidence_of
from roomeq.analysis.recordings.lead_in import LeadInNoise
from roomeq.analysis.recordings.model import SweepModel
from roomeq.base.levels import FloatArray

LEAST_SLIP = {"loopback": 0.05e-3, "lead-in": 0.2e-3}
"""Smaller slips are not told from other things, in s."""
_LONGEST = 0.15  # s
_STEP = 0.25e-3  # s: a third of a radian at 220 Hz
_SPLITS = 40
_BETTER = 10.0  # by how much a slip lowers the squared misfit of a loopback's phase
_LEAST_MISFIT = 1.5e-3  # rad, without the slip
_COHERENT = 0.3
_LESS_LEFT = 1.25  # how much more drift leaves out of phase than a slip does
_KEPT = 600  # frequencies


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """A step of the delay.

    Attributes
    ----------
    lost : float
        In s, positive where samples were lost.
    after : float
        Frequency that the sweep passed when it happened, in Hz; its start where the slip lies
        between lead-in and sweep.
    basis : {"loopback", "lead-in"}
        What told it.
    margin : float
        The evidence over its threshold.
    """

    lost: float
    after: float
    basis: Literal["loopback", "lead-in"]
    margin: float


def estimate_slip(
    model: SweepModel, *, loopback: SweepModel | None = None, lead_in: LeadInNoise | None = None
) -> Slip | None:
    """Return the slip that a loopback's phase or the lead-in tells; None where there is none."""
    if loopback is not None:
        return _from_loopback(loopback)
    return None if lead_in is None else _from_lead_in(model, lead_in)


def _splits(model: SweepModel) -> FloatArray:
    return np.geomspace(1.15 * model.band[0], model.band[1] / 1.15, _SPLITS)


def _from_loopback(loopback: SweepModel) -> Slip | None:
    axis, phase = loopback.frequencies, np.unwrap(np.angle(loopback.spectrum))
    chosen = slice(None, None, max(1, axis.size // _KEPT))
    axis, phase = axis[chosen], phase[chosen]
    growth = loopback.view.excitation.growth_at
    drift = elapsed_phase(loopback.view.excitation, axis)
    steady = (axis, drift, np.ones(axis.size), 1.0 / axis, axis**-3.0)
    best = (math.inf, 0.0, 0.0, 0.0)
    for split in _splits(loopback):
        clear = np.abs(axis - split) > 3.0 * math.sqrt(split / float(growth(split)))
        above = (axis > split).astype(np.float64)
        columns = np.stack((above * axis, above, *steady), axis=1)[clear]
        _, plain = _misfit(columns[:, 2:], phase[clear])
        fit, rest = _misfit(columns, phase[clear])
        ratio = rest / max(plain, 1e-12)
        if ratio < best[0]:
            misfit = math.sqrt(plain / int(clear.sum()))
            best = ratio, float(split), float(fit[0]) / (2.0 * math.pi), misfit
    margin = min(
        1.0 / (best[0] * _BETTER), abs(best[2]) / LEAST_SLIP["loopback"], best[3] / _LEAST_MISFIT
    )
    if not margin >= 1.0:
        return None
    return Slip(lost=best[2], after=best[1], basis="loopback", margin=margin)


def _misfit(columns: FloatArray, values: FloatArray) -> tuple[FloatArray, float]:
    scale = np.abs(columns).max(axis=0) + 1e-30
    fit, *_ = np.linalg.lstsq(columns / scale, values, rcond=None)
    rest = values - columns / scale @ fit
    return np.asarray(fit / scale), float(rest @ rest)


def _from_lead_in(model: SweepModel, told: LeadInNoise) -> Slip | None:
    """Let one part of the spectrum be late by nothing, the rest by one and the same time."""
    chosen = slice(None, None, max(1, told.axis.size // 1024))
    axis, cross = told.axis[chosen], told.cross[chosen]
    whole = float(np.abs(cross).sum())
    still = np.concatenate(([0.0], np.cumsum(cross.real)))
    trial = np.arange(-_LONGEST, _LONGEST + _STEP, _STEP)
    best = (-math.inf, 0.0, 0)
    for fine in (False, True):
        if fine:
            trial = best[1] + np.arange(-_STEP, _STEP, 0.05 * _STEP)
        splits = np.concatenate(([0], np.searchsorted(axis, _splits(model))))
        turned = cross * np.exp(2j * np.pi * trial[0] * axis)
        further = np.exp(2j * np.pi * (trial[1] - trial[0]) * axis)
        for lost in trial:
            moved = np.concatenate(([0.0], np.cumsum(turned.real)))
            turned = turned * further
            likeness = still[splits] + moved[-1] - moved[splits]
            at = int(np.argmax(likeness))
            if likeness[at] > best[0]:
                best = float(likeness[at]), float(lost), int(splits[at])
    coherence = best[0] / whole
    better = (1.0 - told.coherence) / max(1.0 - coherence, 1e-6)
    if not (coherence >= _COHERENT and better >= _LESS_LEFT):
        return None
    margin = abs(best[1]) / LEAST_SLIP["lead-in"]
    if not margin >= 1.0:
        return None
    after = float(axis[best[2]]) if best[2] else model.band[0]
    margin = min(margin, better / _LESS_LEFT)
    return Slip(lost=best[1], after=after, basis="lead-in", margin=margin)


def slip_finding(model: SweepModel, slip: Slip) -> Finding:
    """Return a slip as lost or inserted samples."""
    recording = model.view.recording
    count = round(abs(slip.lost) * recording.sample_rate)
    at = model.starts[0] + model.instant_of(slip.after)
    seconds = (at - 0.2, at + 0.2)
    verb = "were lost" if slip.lost > 0 else "were put in"
    return Finding.of(
        FindingCode.DROPPED_SAMPLES,
        Severity.FAULT,
        recording,
        f"about {count} samples ({1e3 * abs(slip.lost):.2f} ms) {verb} (by the {slip.basis})",
        confidence=confidence_of(slip.margin),
        seconds=seconds,
        band=model.played(seconds),
        value=count,
    )
