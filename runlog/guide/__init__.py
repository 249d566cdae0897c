"""Longer explanations, in Markdown; `runlog guide` shows them."""
