"""CCSDS telemetry of spacecraft: transfer frames behind a sync marker, with Reed-Solomon words or a frame CRC."""
