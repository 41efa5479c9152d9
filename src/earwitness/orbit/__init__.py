"""Where satellites are: elements read and checked, looked at from a place, their passes, their scan lines."""
