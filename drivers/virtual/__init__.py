"""The virtual bench: real protocols in front, an electrical plant behind. Knows nothing of procedures."""
