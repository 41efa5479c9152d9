"""Single-sideband voice."""
