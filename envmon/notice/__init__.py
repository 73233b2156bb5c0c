"""Who is told what, when, and in which words; pure: times and events in, messages out."""
