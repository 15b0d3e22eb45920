"""What only we know of the sample rooms: places, decay, box, microphone, recorder.

Conventions
-----------
Lengths in m from one corner, frequencies in Hz, times in s. What the calibrator of a room knows is
in its ``room.toml``.
"""

from __future__ import annotations

from dataclasses import dataclass

from joined_rooms import Joined
from modal_room import Point
from recorded_sweeps import Recorder, Slam

__all__ = ["RECORDERS", "ROOMS", "HiddenRoom", "Several", "WiredSubwoofer"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WiredSubwoofer:
    """What the calibrator does not know of one of several subwoofers.

    Attributes
    ----------
    source : tuple of float
        Its place, m.
    drive_db : float
        dB SPL that it would give at 1 m in a free field, level knob at 0 dB.
    miswired : bool
        Whether its driver moves inwards where the others move outwards.
    """

    source: Point
    drive_db: float
    miswired: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Several:
    """All subwoofers by name, and where one of them was tried, by the name of the place."""

    subwoofers: dict[str, WiredSubwoofer]
    tried: dict[str, Point]


@dataclass(frozen=True, slots=True, kw_only=True)
class HiddenRoom:
    """What the calibrator of a room does not know.

    Attributes
    ----------
    drive_db : float
        dB SPL that the subwoofer would give at 1 m in a free field, level knob at 0 dB.
    source : tuple of float
        Place of the subwoofer, m.
    places : dict of str to tuple of float
        Place of the microphone at each seat, m.
    decay : tuple of float
        T60 in s at 25, 50, 100 and 200 Hz, linear in between.
    box_corner, box_q : float
        Closed box of the subwoofer.
    noise_db : float
        Noise in a value at 20 Hz, dB SPL (see `signal_chain.room_noise_db`).
    microphone : dict of str to float, optional
        Arguments of `signal_chain.microphone_response`; without it the microphone is flat.
    layouts : dict of str to str
        Layout of each file that holds one seat.
    joined : Joined, optional
        The mains, and what is wrong between them and the subwoofer.
    several : Several, optional
        Each of several subwoofers, whose places and drives then count, and where one was tried.
    """

    drive_db: float
    source: Point
    places: dict[str, Point]
    decay: tuple[float, float, float, float]
    box_corner: float
    box_q: float
    noise_db: float
    microphone: dict[str, float] | None
    layouts: dict[str, str]
    joined: Joined | None = None
    several: Several | None = None


FERRY_SEATS = ("bench_left", "bench_middle", "bench_right", "ticket_window")

ROOMS: dict[str, HiddenRoom] = {
    "lakeside_cabin": HiddenRoom(
        drive_db=83.0,
        source=(4.19, 0.35, 0.25),
        places={
            "sofa left": (2.56, 3.87, 1.05),
            "sofa middle": (3.21, 3.87, 1.05),
            "sofa right": (3.86, 3.87, 1.05),
            "armchair by the stove": (3.12, 0.93, 1.0),
            "armchair by the window": (1.24, 0.90, 1.0),
            "reading bench": (4.48, 3.67, 1.1),
        },
        decay=(0.55, 0.48, 0.38, 0.32),
        box_corner=36.85,  # 6 dB down at 28 Hz
        box_q=0.7071,
        noise_db=46.0,
        microphone={"roll_off": 8.0, "ripple_db": 1.6, "ripple_at": 110.0},
        layouts={
            "sofa_left.txt": "semicolon_german",
            "sofa_middle.tsv": "tabs_two_headers",
            "sofa_right.txt": "fixed_width",
            "armchair_stove.txt": "wide_characters",
            "armchair_window.csv": "quoted_kilohertz",
            "reading_bench.txt": "barred_descending",
        },
    ),
    "brick_cellar": HiddenRoom(
        drive_db=83.0,
        source=(2.15, 0.35, 0.3),
        places={
            "front left": (2.50, 2.81, 1.05),
            "front middle": (2.50, 2.06, 1.05),
            "front right": (2.50, 1.31, 1.05),
            "stools left": (3.99, 2.71, 1.25),
            "stools right": (3.99, 1.50, 1.25),
        },
        decay=(0.50, 0.42, 0.34, 0.30),
        box_corner=28.95,  # 6 dB down at 22 Hz
        box_q=0.7071,
        noise_db=44.0,
        microphone={"roll_off": 5.0, "ripple_db": -1.4, "ripple_at": 45.0},
        layouts={},
    ),
    "rented_hall": HiddenRoom(
        drive_db=104.0,
        source=(0.6, 2.4, 0.4),
        places={
            "second row left": (4.2, 6.1, 1.15),
            "second row right": (4.2, 2.6, 1.15),
            "fifth row middle": (7.1, 4.4, 1.15),
            "last row": (10.4, 5.0, 1.15),
        },
        decay=(1.10, 1.00, 0.90, 0.85),
        box_corner=38.0,  # 6 dB down at 30.5 Hz
        box_q=0.8,
        noise_db=50.0,
        microphone=None,
        layouts={},
    ),
    "village_library": HiddenRoom(
        drive_db=93.0,
        source=(0.45, 0.4, 0.25),
        places={
            "front row left": (2.75, 1.75, 1.1),
            "front row right": (2.75, 3.35, 1.1),
            "window seat": (5.60, 4.55, 1.0),
            "lending desk": (6.35, 1.20, 1.2),
        },
        decay=(0.82, 0.70, 0.50, 0.40),  # 0.80 s at 30 Hz
        box_corner=31.6,  # 6 dB down at 24 Hz
        box_q=0.7071,
        noise_db=0.0,  # its noise is in RECORDERS
        microphone={"roll_off": 6.0, "ripple_db": 1.2, "ripple_at": 70.0},
        layouts={},
    ),
    "mill_loft": HiddenRoom(
        drive_db=87.5,  # with the knob at -8 dB 85.5 in half space: 1.0 V at 50 Hz, 94 dB at 2.83 V
        source=(0.5, 0.6, 0.35),
        places={
            "bench left": (4.10, 2.05, 1.1),
            "bench right": (4.10, 3.10, 1.1),
            "sacks": (6.90, 1.30, 0.9),
            "gallery": (6.60, 4.30, 2.3),
        },
        decay=(0.75, 0.62, 0.45, 0.38),
        box_corner=33.24,  # 6 dB down at 25 Hz
        box_q=0.72,
        noise_db=45.0,
        microphone={"roll_off": 7.0, "ripple_db": 1.1, "ripple_at": 85.0},
        layouts={
            f"{seat}_sub.txt": "percent_comments"
            for seat in ("bench_left", "bench_right", "sacks", "gallery")
        },
    ),
    "ferry_office": HiddenRoom(
        drive_db=83.0,
        source=(0.9, 0.77, 0.3),
        places={
            "bench left": (3.45, 1.45, 1.1),
            "bench middle": (3.45, 2.25, 1.1),
            "bench right": (3.45, 3.05, 1.1),
            "ticket window": (4.35, 2.45, 1.15),
        },
        decay=(0.60, 0.36, 0.25, 0.22),
        box_corner=34.22,  # 6 dB down at 26 Hz
        box_q=0.7071,
        noise_db=44.0,
        microphone={"roll_off": 6.0, "ripple_db": -1.3, "ripple_at": 90.0},
        layouts=dict.fromkeys(
            (
                *(f"{seat}_{source}.txt" for seat in FERRY_SEATS for source in ("sub", "mains")),
                "bench_middle_both.txt",
                "ticket_window_both.txt",
                "close_to_the_cone.txt",
            ),
            "percent_comments",
        ),
        joined=Joined(
            left=(0.8, 1.55, 1.0),
            right=(0.8, 3.85, 1.0),
            mains_drive_db=77.0,
            mains_corner=50.0,
            mains_q=0.7071,
            late=0.0045,
            miswired=False,
            cone_radius=0.13,
            close_drive_db=-20.0,
        ),
    ),
    "bell_foundry": HiddenRoom(
        drive_db=84.0,
        source=(0.45, 0.5, 0.3),
        places={
            "settle left": (3.55, 1.75, 1.1),
            "settle middle": (3.55, 2.45, 1.1),
            "settle right": (3.55, 3.15, 1.1),
            "coal box": (4.75, 3.55, 0.95),
        },
        decay=(0.62, 0.48, 0.36, 0.30),
        box_corner=34.22,  # 6 dB down at 26 Hz
        box_q=0.7071,
        noise_db=44.0,
        microphone={"roll_off": 6.5, "ripple_db": 1.2, "ripple_at": 75.0},
        layouts={},  # one for all files
        joined=Joined(
            left=(0.7, 1.45, 1.0),
            right=(0.7, 3.35, 1.0),
            mains_drive_db=78.0,
            mains_corner=50.0,
            mains_q=0.7071,
            late=0.0,
            miswired=False,
            cone_radius=0.13,
            close_drive_db=-20.0,
        ),
        several=Several(
            subwoofers={
                "furnace": WiredSubwoofer(source=(0.45, 0.5, 0.3), drive_db=84.0, miswired=False),
                "gate": WiredSubwoofer(source=(5.35, 4.3, 0.3), drive_db=82.5, miswired=True),
            },
            tried={
                "under the crane": (2.9, 0.4, 0.3),
                "pattern shelf": (0.4, 2.4, 0.3),
                "behind the settle": (4.4, 2.6, 0.3),
            },
        ),
    ),
}

RECORDERS: dict[str, Recorder] = {
    "village_library": Recorder(
        latency=0.0117,
        coupling=3.4,
        loopback_gain_db=-1.7,
        full_scale_db=114.6,
        third_harmonic=0.004,
        rumble_db=26.0,
        microphone_noise_db=27.0,
        loopback_noise_dbfs=-96.0,
        started={
            "front_left.flac": 1.13,
            "front_right.flac": 0.86,
            "window_seat.flac": 0.94,
            "lending_desk.flac": 1.31,
            "front_left_again.flac": 0.79,
        },
        moved={"front_left_again.flac": (2.77, 1.73, 1.1)},
        slam=Slam(file="window_seat.flac", place=(7.0, 4.9, 1.1), sweep_at=52.0, peak_db=90.0),
    ),
}
