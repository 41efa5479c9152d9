"""VDL Mode 2: aircraft data link on VHF, D8PSK bursts carrying AVLC frames (ICAO Annex 10 volume III)."""
