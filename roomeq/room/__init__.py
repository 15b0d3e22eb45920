"""All that is known of a room."""
