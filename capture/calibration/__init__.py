"""Counts into newtons and millimetres, with their uncertainties. Pure."""
