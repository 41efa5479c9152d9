"""Narrow FM voice: land mobile, marine, amateur."""
