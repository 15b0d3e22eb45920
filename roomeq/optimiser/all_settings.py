"""All settings together: filters, delay, polarity, phase, level and bands against the complex sum.

Conventions
-----------
Settings are absolute but for the level, which is a change. Deviations are ``sqrt(J)`` in dB of the
smoothed complex sum of subwoofer and mains, from the lowest band to an octave above the corner, as
in `roomeq.optimiser.joining_data`; a shortfall that the subwoofer alone shows as a cancellation
counts as little as it does for the band gains.

*In turn*: protective high-pass, low-passes to bypass, delay with polarity, phase and level, then
the bands on the subwoofer alone, each once. *Together*: the same order, but the bands are chosen by
the sum, and again until nothing moves. It starts from what "in turn" found and takes only what is
better, so it is never worse; settings kept apart by less than 0.1 dB stay "in turn".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from roomeq.device.crossover import CrossoverFilter
from roomeq.device.equaliser import FixedBandEqualiser
from roomeq.device.path import bypass_sets
from roomeq.device.profile import PhaseControl
from roomeq.optimiser.all_settings_fit import AllSettings, AllSettingsFit
from roomeq.optimiser.alternation import AllSettingsTask
from roomeq.optimiser.joining_settings import DelayRange, JoiningSettings, LevelRange
from roomeq.optimiser.joining_survey import prepare_joining
from roomeq.optimiser.limits import Limits
from roomeq.optimiser.loss import Loss
from roomeq.optimiser.target import Target
from roomeq.survey import Survey

__all__ = ["AllSettings", "AllSettingsFit", "fit_all_settings"]


def fit_all_settings(
    survey: Survey,
    *,
    corner: float,
    common_time_reference: bool,
    equaliser: FixedBandEqualiser,
    target: Target | None = None,
    limits: Limits | None = None,
    loss: Loss | None = None,
    present: JoiningSettings | None = None,
    present_gains_db: ArrayLike | None = None,
    protection: CrossoverFilter | None = None,
    protections: Sequence[CrossoverFilter | None] | None = None,
    bypassable: Sequence[CrossoverFilter] = (),
    delays: DelayRange | None = None,
    phase_control: PhaseControl | None = None,
    levels: LevelRange | None = None,
    can_invert: bool = True,
    prove: bool = True,
    measured: Survey | None = None,
) -> AllSettingsFit:
    """Choose all settings of the subwoofer by the sum with the mains at every seat.

    Parameters
    ----------
    survey : Survey
        With `sub` and `mains`, as for `roomeq.optimiser.joining_survey.prepare_joining`.
    corner : float
        Crossover corner in Hz.
    common_time_reference : bool
        Whether both were measured against one time zero.
    equaliser, target, limits, loss, present_gains_db
        As for `roomeq.optimiser.band_gains.fit_band_gains`; the target's path holds the low-passes
        in force.
    present : JoiningSettings, optional
        Settings while measuring.
    protection : CrossoverFilter, optional
        Protective high-pass while measuring.
    protections : sequence of CrossoverFilter or None, optional
        Protective high-passes that may be set; None among them is off. By default the present one
        only: deviation knows nothing of displacement, so what may be weakened is for the caller
        to say.
    bypassable : sequence of CrossoverFilter
        Low-passes in the target's path that may be switched off.
    delays, phase_control, levels, can_invert
        As for `roomeq.optimiser.joining.fit_joining`.
    prove : bool
        Whether the bands in turn are proven, as in a proposal.
    measured : Survey, optional
        What was measured, where other filters are reckoned into the survey: a measured sum of both
        is held against this, since it does not hold those filters.

    Returns
    -------
    AllSettingsFit

    Raises
    ------
    ValueError
        As for `prepare_joining` and `fit_band_gains`; or if the bands' phase is not known.
    """
    target = target or Target()
    gains = equaliser.checked_gains_db(
        np.zeros(len(equaliser.bands)) if present_gains_db is None else present_gains_db
    )
    span = (equaliser.bands[0].lower, 2.0 * corner)
    prepare = partial(
        prepare_joining,
        corner=corner,
        common_time_reference=common_time_reference,
        target=target,
        present=present,
        span=span,
    )
    data = prepare(survey)
    if measured is not None:
        checked = prepare(measured)
        data = replace(data, notes=checked.notes, sum_residual_db=checked.sum_residual_db)
    for seat in data.seats_left_out:
        survey = survey.without_seat(seat)
    task = AllSettingsTask(
        survey=survey,
        data=data.with_transfers(sub=1.0 / equaliser.response(gains, data.points)),
        equaliser=equaliser,
        target=target,
        limits=limits or Limits(),
        loss=loss or Loss(),
        protection=protection,
        protections=(protection,) if protections is None else tuple(protections),
        bypasses=_subsets(bypassable, target),
        present_gains_db=gains,
        delays=delays,
        phase_control=phase_control,
        levels=levels or LevelRange(),
        can_invert=can_invert,
        prove=prove,
    )
    return task.solved()


def _subsets(
    bypassable: Sequence[CrossoverFilter], target: Target
) -> tuple[tuple[CrossoverFilter, ...], ...]:
    """Return what may be bypassed together: nothing first, never every low-pass."""
    for one in bypassable:
        if one not in target.path:
            raise ValueError(f"{one} may be bypassed but is not in the path")
    return tuple(bypass_sets(bypassable, low_passes=len(target.path)))
