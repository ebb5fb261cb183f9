"""Mixed-effects models and pooling, on arrays."""
