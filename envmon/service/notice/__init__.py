"""Telling people: what is decided, what waits, and what went out over which channel."""
