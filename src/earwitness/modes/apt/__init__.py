"""APT, the analogue pictures of polar weather satellites: recordings only, the service ended in August 2025."""
