"""The plan as files: GeoPackage, GeoJSON, map, tables."""
