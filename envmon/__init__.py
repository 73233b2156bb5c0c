"""envmon keeps the air of a vehicle surface-care bay right for each step of the work."""
