"""The screen of a running capture."""
