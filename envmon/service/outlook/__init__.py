"""The outlook as a process: reads, learns, foresees, and says it."""
