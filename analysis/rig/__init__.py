"""What is known of the rig itself: its calibration card, its checks, its health. Pure."""
