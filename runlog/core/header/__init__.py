"""What the cards of a header mean: a `FrameHeader` in fixed units, and what cannot be believed."""
