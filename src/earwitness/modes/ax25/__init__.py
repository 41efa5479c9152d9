"""AX.25: amateur packet radio, on the ground and from satellites."""
