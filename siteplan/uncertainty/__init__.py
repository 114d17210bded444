"""How sure lengths and counts are, and the order that suffices with a stated probability."""
