"""Counts into newtons and millimetres, and what they are sure of. Pure but for guided."""
