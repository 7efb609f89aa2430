"""Outflow path, device solids and sections between them."""
