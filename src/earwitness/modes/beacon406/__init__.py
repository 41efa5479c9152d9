"""406 MHz distress beacons (EPIRB, ELT, PLB) of the international satellite system, first generation."""
