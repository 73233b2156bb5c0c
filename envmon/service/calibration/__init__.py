"""Calibrations of sensors: shown, accepted, and taken up by the watch."""
