"""Pure physics of moist air, surfaces, water and rooms; vectorised over numpy arrays."""
