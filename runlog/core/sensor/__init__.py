"""What stands out about rows and columns, and what of it is the camera's own."""
