"""Message formats that more than one mode carries."""
