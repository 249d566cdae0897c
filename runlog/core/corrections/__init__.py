"""What a person says beside the headers, and what of it is in force."""
