"""Weather files in, grids out."""
