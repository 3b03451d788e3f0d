"""A running capture: reader, recorder, session, turns, commands, control channel."""
