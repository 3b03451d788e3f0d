"""The book: one SQLite file that holds every set, sweep and calibration."""
