"""Mode S replies and squitters on 1090 MHz."""
