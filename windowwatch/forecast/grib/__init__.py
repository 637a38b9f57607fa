"""GRIB2 files: their bytes, their fields, and the arrays these make up."""
