"""Bits in, bits out: checksums, framing, error correction."""
