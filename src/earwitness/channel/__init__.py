"""Narrow channels cut out of the wide stream through one shared forward FFT."""
