"""What everything else speaks of: errors, levels, bands, responses, recordings, surveys, files."""
