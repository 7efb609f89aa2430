"""Runs seen from outside: how far one has come, and how two differ."""
