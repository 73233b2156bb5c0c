"""Conditions, limits, fitness and alarms as a pure step over readings and events."""
