"""The page: stored rows as HTML, SVG and data; complete without JavaScript."""
