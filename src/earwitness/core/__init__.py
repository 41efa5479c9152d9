"""Values and contracts every room shares; standard library only."""
