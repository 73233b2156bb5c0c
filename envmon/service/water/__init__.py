"""Rinse water and the resin that softens it, as kept."""
