"""The morning review in the terminal."""
