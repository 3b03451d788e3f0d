"""From springs to an engine: build file, shims, pairing, depths. Pure."""
