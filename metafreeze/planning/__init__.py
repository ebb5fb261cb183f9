"""Power, precision and simulated registers."""
