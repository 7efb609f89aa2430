"""Landmarks and results in the formats of other tools. All points LPS, mm."""
