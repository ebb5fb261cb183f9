"""Effect sizes of single studies, on arrays."""
