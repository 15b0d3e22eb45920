"""A plan and its parts, and the record of its verification."""
