"""What stands on a page to keep, as values; how its charts are drawn; its colours."""
