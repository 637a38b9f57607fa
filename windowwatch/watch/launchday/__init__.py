"""Planned launches on the watch: flown at their exact minute, followed, told."""
