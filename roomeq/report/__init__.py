"""Text, plots and the sheet for people; nothing here computes acoustics."""
