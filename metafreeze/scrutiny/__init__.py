"""Does the effect survive? Each step is a small function on arrays."""
