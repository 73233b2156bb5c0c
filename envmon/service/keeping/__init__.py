"""What is kept over the years: the keeper, backup, export and import."""
