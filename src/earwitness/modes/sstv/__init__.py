"""Slow-scan pictures of amateurs: colour after colour, line after line, as the frequency of a tone."""
