"""Product line and legs to pieces and counts: numbers only, no files, no CRS, no web."""
