"""The build sheet: what a person needs to build from, and to compare with later. Pure."""
