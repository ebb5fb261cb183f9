"""What ordinary cooling, evaporation and latent heat predict, on arrays."""
