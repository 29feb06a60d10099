//! Results as JSON Lines, CSV, GeoJSON, KML and an HTML report.
