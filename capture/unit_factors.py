"""Exact factors between the units that people use and newtons, kilograms, millimetres."""

from __future__ import annotations

KGF_N = 9.80665  # exact: 3rd CGPM, 1901
LBF_N = 4.4482216152605  # exact: international pound (1959) times the 1901 standard gravity
POUND_KG = 0.45359237  # exact: international yard and pound agreement, 1959
INCH_MM = 25.4  # exact: international yard and pound agreement, 1959
