"""Tapes against the map: what was taped, how it compares, and why it disagrees."""
