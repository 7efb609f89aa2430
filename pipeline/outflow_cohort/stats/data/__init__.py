"""Tidy tables in, values per case out; settings."""
