"""What comes next: what a minute is worth, what fits into a night, which order serves the goals."""
