"""Telemetry of amateur satellites with the forward error correction of AO-40: 256 octets in 5200 symbols."""
