"""Choose settings that the device can take and say what bound each choice."""
