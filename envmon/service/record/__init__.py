"""The condition record of a job: made, kept, printed and proven."""
