"""The processes: broker, watch, supervisor and the demo."""
