"""A simulated rig that speaks the same wire bytes as the firmware, with physics behind it."""
