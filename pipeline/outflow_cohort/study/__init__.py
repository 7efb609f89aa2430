"""A study: its settings, its tables, and the frozen request of each case."""
