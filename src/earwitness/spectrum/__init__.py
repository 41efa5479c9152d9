"""Calibrated power spectra and the noise floor under them."""
