"""ACARS: the character-oriented data link between aircraft and ground on VHF (ARINC 618)."""
