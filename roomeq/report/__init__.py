"""Tables for people; nothing here computes acoustics."""
