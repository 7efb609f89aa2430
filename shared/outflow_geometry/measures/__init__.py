"""The registry of measures and the reading measured by it."""
