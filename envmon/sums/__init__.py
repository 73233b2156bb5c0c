"""Sums for the person at the bench: moist air, mixing, solvent vapour, in words and as JSON."""
