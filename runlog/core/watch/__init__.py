"""What is said while the night runs: a first look at each frame, warnings, and what to do next."""
