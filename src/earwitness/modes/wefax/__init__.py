"""Weather charts by facsimile: brightness as the frequency of a tone, line after line."""
