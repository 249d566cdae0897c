"""What frames are worth to the finished picture, what was lost, and what would have been better."""
