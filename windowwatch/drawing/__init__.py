"""The map of a launch hour, drawn as SVG from values, and as a picture."""
