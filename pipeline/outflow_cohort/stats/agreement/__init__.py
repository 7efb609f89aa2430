"""How much readers, methods and sizes differ."""
