"""From samples to strokes: finding, judging, reducing them, and whose turn it is. Pure."""
