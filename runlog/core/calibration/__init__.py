"""Which darks, flats and bias frames fit, and what is missing."""
