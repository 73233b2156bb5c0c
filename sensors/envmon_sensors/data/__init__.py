"""Weather of a typical year, and the script that took it from its source."""
