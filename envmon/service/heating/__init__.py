"""The heating log: a winter read, made and said; bills taken in."""
