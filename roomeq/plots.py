"""Plots, grouped by the questions a calibrator asks.

- What do the seats share? `plot_seats`, `plot_seat_differences`, `plot_signal_to_noise`
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

from roomeq.report.plots.decay import plot_decay as plot_decay
from roomeq.report.plots.decay import plot_decay_lines as plot_decay_lines
from roomeq.report.plots.decay import plot_impulse_response as plot_impulse_response
from roomeq.report.plots.headroom import plot_displacement as plot_displacement
from roomeq.report.plots.headroom import plot_distortion as plot_distortion
from roomeq.report.plots.headroom import plot_drive as plot_drive
from roomeq.report.plots.headroom import plot_extra_drive as plot_extra_drive
from roomeq.report.plots.headroom import plot_power as plot_power
from roomeq.report.plots.joining import plot_joining as plot_joining
from roomeq.report.plots.joining import plot_joining_map as plot_joining_map
from roomeq.report.plots.multiples import plot_every_seat as plot_every_seat
from roomeq.report.plots.multiples import plot_group_delay as plot_group_delay
from roomeq.report.plots.multiples import plot_parts as plot_parts
from roomeq.report.plots.multiples import plot_phase as plot_phase
from roomeq.report.plots.multiples import plot_subwoofers as plot_subwoofers
from roomeq.report.plots.plan import plot_band_gains as plot_band_gains
from roomeq.report.plots.plan import plot_equaliser as plot_equaliser
from roomeq.report.plots.plan import plot_prediction as plot_prediction
from roomeq.report.plots.rooms import plot_rooms as plot_rooms
from roomeq.report.plots.rooms import plot_voicing as plot_voicing
from roomeq.report.plots.seats import plot_seat_differences as plot_seat_differences
from roomeq.report.plots.seats import plot_seats as plot_seats
from roomeq.report.plots.seats import plot_signal_to_noise as plot_signal_to_noise
from roomeq.report.plots.seats import plot_variation as plot_variation
from roomeq.report.plots.verification import plot_responses as plot_responses
from roomeq.report.plots.verification import plot_verification as plot_verification

__all__ = [name for name in dir() if name.startswith("plot_")]
