"""What one step hands to the next: frozen models with a version, one reader and one writer each. LPS, mm, deg, HU."""
