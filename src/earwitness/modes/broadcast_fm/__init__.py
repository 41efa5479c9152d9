"""Broadcast FM with stereo pilot."""
