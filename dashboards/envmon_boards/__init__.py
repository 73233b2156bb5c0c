"""The boards: what a person sees, in a process of its own."""
