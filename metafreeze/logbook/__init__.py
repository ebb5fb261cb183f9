"""The page at the freezer."""
