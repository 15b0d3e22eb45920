"""What the sum of subwoofer and mains loses, in the same words in every report.

Conventions
-----------
Numbers come from `roomeq.optimiser.joining.summation`; nothing is computed here.
"""

from __future__ import annotations

__all__ = ["loss_text"]


def loss_text(
    corner: float, now_db: float, *, then_db: float | None = None, predicted_db: float | None = None
) -> str:
    """Return what the sum loses now, and with the settings or as it was predicted.

    Parameters
    ----------
    corner : float
        Hz.
    now_db : float
        As measured.
    then_db : float, optional
        With the settings proposed.
    predicted_db : float, optional
        What a plan predicted for the settings in force.
    """
    text = f"Around {corner:.0f} Hz the sum loses {now_db:.1f} dB of what both could give"
    if then_db is not None:
        text += f"; {then_db:.1f} dB with these settings"
    if predicted_db is not None:
        text += f"; {predicted_db:.1f} dB was predicted"
    return f"{text}."
