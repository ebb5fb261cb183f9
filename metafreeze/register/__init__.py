"""The schema, the way in for files, and the register on disk. Knows no statistics."""
