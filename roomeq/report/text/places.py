"""Places for subwoofers as plain text.

Conventions
-----------
Numbers come from `roomeq.jobs.places`; nothing is computed here but differences for display.
"""

from __future__ import annotations

from collections.abc import Iterator

from roomeq.base.levels import signed
from roomeq.jobs.places import PlaceChoice, RoomPlaces
from roomeq.report.text.layout import bullet_list, columns, joined, listed, paragraph, text_of

_COUNTS = {1: "One subwoofer", 2: "Two together", 3: "Three together", 4: "Four together"}
_SHOWN = 3
RECIPROCITY = (
    "Subwoofer at a seat and microphone at the places tell the same (reciprocity), where nothing "
    "else moves, both are small beside the wavelength and send and hear alike in all directions: "
    "below some 150 Hz, away from boundaries of the box's own size; one seat at a time."
)


def places_text(found: RoomPlaces, *, detail: bool = False) -> str:
    """Return which places are best as text; with `detail` every choice that was searched in full.

    Parameters
    ----------
    found : RoomPlaces
    detail : bool
    """
    sizes = {title: choices for n, title in _COUNTS.items() if (choices := found.of_size(n))}
    most = None if detail else _SHOWN
    tables = [[*paragraph(title), *_table(some[:most])] for title, some in sizes.items()]
    explained = (
        "Deviation: of each seat by itself, mean over the seats, with the best settings found. "
        "S.d.: how the seats differ. Output: at equal drive, against the loudest here. Each choice "
        "gives up as much of what its own subwoofers can give in phase as output_given_up_db in "
        "[limits] allows (3 dB without it): more of them are louder, and more even where it allows "
        "more."
    )
    return text_of(
        [
            paragraph(f"{found.room}: {len(found.places)} places, {len(found.seats)} seats"),
            listed("Found: look at these first", found.findings),
            bullet_list(list(_gains(found))),
            *tables,
            paragraph(explained, indent=2),
            *[_settings(choices[0]) for choices in sizes.values()],
            listed("Taken for granted", found.assumptions),
            paragraph(RECIPROCITY),
        ]
    )


def _gains(found: RoomPlaces) -> Iterator[str]:
    """Yield the best of each size, and what one more buys."""
    before: PlaceChoice | None = None
    for count, title in _COUNTS.items():
        for best in found.of_size(count)[:1]:
            buys = ""
            if before is not None:
                less_db = before.deviation_db - best.deviation_db
                buys = (
                    f"; one more buys {less_db:.1f} dB of deviation, "
                    f"{before.variation_db - best.variation_db:.1f} dB between the seats and "
                    f"{signed(best.output_db - before.output_db)} dB of output"
                )
            yield f"{title}: {joined(list(best.places))}, {best.deviation_db:.1f} dB{buys}"
            before = best


def _table(choices: tuple[PlaceChoice, ...]) -> list[str]:
    return columns(
        [
            {
                "Places": ", ".join(one.places),
                ">Deviation dB": f"{one.deviation_db:.1f}",
                ">S.d. dB": f"{one.variation_db:.1f}",
                ">Output dB": signed(one.output_db),
                "Worst seat": f"{one.worst_seat} {one.worst_db:.1f} dB",
            }
            for one in choices
        ]
    )


def _settings(choice: PlaceChoice) -> list[str]:
    """Return what the best choice of a size would be set to, a line for each place."""
    said = []
    for one in choice.settings:
        gains = ", ".join(f"{label} Hz {signed(g)}" for label, g in one.gains_db.items() if g)
        turned = "inverted" if one.inverted else "normal"
        level = f"level {signed(one.level_db)} dB, {gains or 'bands at 0'}"
        said.append(f"{one.place}: delay {one.delay_ms:.1f} ms, {turned}, {level}")
    return [*paragraph(f"Settings at {joined(list(choice.places))}"), *bullet_list(said)]
