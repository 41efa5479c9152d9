"""What an emission is: measurement with uncertainty, identification, designator."""
