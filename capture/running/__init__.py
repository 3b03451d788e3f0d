"""A capture that runs: reader, recorder, session, daemon and their locks."""
