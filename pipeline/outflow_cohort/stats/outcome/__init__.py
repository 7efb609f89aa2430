"""Cut-offs, endpoints and prediction."""
