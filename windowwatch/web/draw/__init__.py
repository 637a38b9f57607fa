"""Drawings beside the map, as numbers, and the layers of the movable one."""
