"""Morse telegraphy by keyed carrier."""
