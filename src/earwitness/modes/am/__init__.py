"""AM voice: aeronautical, broadcast, amateur."""
