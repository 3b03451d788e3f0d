"""How long a calibration stands for. Pure."""

# Common practice, no source: a season between calibrations.
GOOD_FOR_DAYS = 90.0
