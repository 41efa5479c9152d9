"""Earwitness: a radio monitoring station on a hobby budget."""

__version__ = "0.1.0"
