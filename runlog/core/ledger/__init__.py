"""Hours: what was gathered, what is wanted, what is still to go."""
