"""Turn responses into other responses and into numbers."""
