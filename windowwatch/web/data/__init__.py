"""Results for other programs: JSON, CSV, GeoJSON, KML, GPX, a calendar, figures."""
