"""Several subwoofers in a proposal: the problem of a room, and the room as it is to be set."""
