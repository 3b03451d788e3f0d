"""Sweeps into spring curves: load at a height, rate, contact and bind. Pure."""
