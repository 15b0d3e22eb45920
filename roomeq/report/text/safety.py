"""Usual cautions: in one line with every proposal, in full in the help and on the sheet."""

SAFETY = (
    "Turn the volume down before changing a setting or starting a test signal, then rise in steps; "
    "stop when the driver bottoms audibly.",
    "Bass at 20 to 80 Hz reads 50 to 22 dB low on an A-weighted meter (IEC 61672): judge it by C "
    "or Z weighting, wear hearing protection, and keep sessions short (NIOSH: 85 dBA for 8 h, half "
    "the time for every 3 dB more).",
    "Mains wiring is for licensed people under local codes; never lift a protective earth to cure "
    "hum.",
)
SAFETY_LINE = "Safety: volume down first, then rise in steps; more in roomeq --help."
