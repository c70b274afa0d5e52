"""The commands that work without stored data."""
