"""Samples in: recordings (and later receivers) as stretches of I/Q or audio."""
