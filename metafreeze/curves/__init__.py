"""Events out of temperature traces, on arrays."""
