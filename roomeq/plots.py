"""Plots, grouped by the questions a calibrator asks.

- What do the seats share? `plot_seats`, `plot_seat_differences`, `plot_survey_signal_to_noise`;
  from plain arrays `plot_signal_to_noise`
- What differs between measurements? `plot_responses`
- What arrives when? `plot_phase`, `plot_group_delay`, `plot_impulse_response`
- What would change? `plot_prediction`, `plot_every_seat`, `plot_band_gains`, `plot_equaliser`
- Do subwoofer and mains add? `plot_joining`, `plot_joining_map`, `plot_parts`
- What do several subwoofers do? `plot_subwoofers`, `plot_variation`
- How hard does it work? `plot_extra_drive`, `plot_drive`, `plot_power`, `plot_displacement`,
  `plot_distortion`
- How long does it ring? `plot_decay`, `plot_decay_lines` (numbers: `roomeq.jobs.decay.room_decays`)
- Did it come true? `plot_verification`
- How do many rooms do? `plot_rooms`, `plot_voicing`

All that a room bears, as files: `roomeq.report.plots.pictures.write_pictures`.

Conventions
-----------
Every function takes axes as `ax`, or makes a figure of its own, and returns the axes; one with
several frames (`plot_every_seat`, `plot_group_delay`, `plot_impulse_response`, `plot_parts`,
`plot_phase`, `plot_subwoofers`) makes a figure and returns that. Numbers are computed elsewhere.
matplotlib comes with the extra ``report``, is loaded when a plot is drawn, and its global settings
are left as they are.
"""

from __future__ import annotations

from roomeq.report.plots.decay import plot_decay, plot_decay_lines, plot_impulse_response
from roomeq.report.plots.headroom import (
    plot_displacement,
    plot_distortion,
    plot_drive,
    plot_extra_drive,
    plot_power,
)
from roomeq.report.plots.joining import plot_joining, plot_joining_map
from roomeq.report.plots.multiples import (
    plot_every_seat,
    plot_group_delay,
    plot_parts,
    plot_phase,
    plot_subwoofers,
)
from roomeq.report.plots.plan import plot_band_gains, plot_equaliser, plot_prediction
from roomeq.report.plots.rooms import plot_rooms, plot_voicing
from roomeq.report.plots.seats import (
    plot_seat_differences,
    plot_seats,
    plot_signal_to_noise,
    plot_survey_signal_to_noise,
    plot_variation,
)
from roomeq.report.plots.verification import plot_responses, plot_verification

__all__ = [
    "plot_band_gains",
    "plot_decay",
    "plot_decay_lines",
    "plot_displacement",
    "plot_distortion",
    "plot_drive",
    "plot_equaliser",
    "plot_every_seat",
    "plot_extra_drive",
    "plot_group_delay",
    "plot_impulse_response",
    "plot_joining",
    "plot_joining_map",
    "plot_parts",
    "plot_phase",
    "plot_power",
    "plot_prediction",
    "plot_responses",
    "plot_rooms",
    "plot_seat_differences",
    "plot_seats",
    "plot_signal_to_noise",
    "plot_subwoofers",
    "plot_survey_signal_to_noise",
    "plot_variation",
    "plot_verification",
    "plot_voicing",
]
