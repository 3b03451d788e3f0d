"""Numbers out: spring curves, set checks, pairing, views and the command line."""
