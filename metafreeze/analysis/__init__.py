"""Register rows in, bundles of results out."""
