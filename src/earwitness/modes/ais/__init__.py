"""AIS: the automatic identification system of ships (Recommendation ITU-R M.1371)."""
