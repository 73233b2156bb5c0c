"""One vehicle going through the work: procedure, panel clocks, cure, and its record. Pure."""
