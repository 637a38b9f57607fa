"""Settings files in, checked values of every floor out."""
