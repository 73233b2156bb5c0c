"""Jobs beside the watch: acts of people and buttons judged and written, jobs read and published."""
