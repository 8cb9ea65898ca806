"""What was fitted: found, checked against its SHA-256, read, and walked."""
