"""Points to set out on the ground: grid coordinates, offset pegs, ties for a tape."""
