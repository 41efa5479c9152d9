"""Digital selective calling: how ships and coast stations call each other, and for help."""
