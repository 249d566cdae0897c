"""Constants of robust statistics."""

MAD_TO_SIGMA = 1.4826  # median absolute deviation to standard deviation, of a normal distribution
