"""A bench in software, reached through the instruments' own wire protocols."""
