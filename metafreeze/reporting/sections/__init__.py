"""One file per subject of the report: results in plain values to sections, nothing computed."""
