"""Statistical methods on plain arrays."""
