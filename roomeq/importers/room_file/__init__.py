"""Room files: their tables, and what contradicts itself in them."""
