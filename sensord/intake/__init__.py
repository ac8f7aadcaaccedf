"""From arrivals to what they mean: readings assessed, entries understood, refusals with their reasons."""
