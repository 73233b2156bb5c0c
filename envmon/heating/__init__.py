"""What the winter's heat did and cost, from minutes and meters to days, months and money. Pure."""
