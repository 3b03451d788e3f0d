"""The wire of firmware/PROTOCOL.md: bytes into samples and messages, and back. Pure."""
