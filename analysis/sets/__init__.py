"""Judging a set of springs meant to be alike. Pure."""
