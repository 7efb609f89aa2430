"""Redrawn landmarks and what they make of each measure."""
