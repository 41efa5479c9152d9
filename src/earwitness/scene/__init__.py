"""Synthesised recordings with their truth, for demo, tests and benchmarks."""
