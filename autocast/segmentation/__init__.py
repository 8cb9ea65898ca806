"""What is in the picture: regions, how likely each is of a known colour, what it seems to show."""
