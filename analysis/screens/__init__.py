"""What is drawn on a terminal."""
