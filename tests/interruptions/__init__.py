"""Commands struck at random moments, and a model of what must hold whenever that was."""
