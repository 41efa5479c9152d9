"""Frames of small satellites over frequency keying, found by the sync words of the framings in use."""
