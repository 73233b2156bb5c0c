"""One store: live readings and the append-only chain of events."""
