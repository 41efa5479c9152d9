"""The station's memory: what was found, in SQL, and the evidence beside it, in files."""
