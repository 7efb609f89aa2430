"""The handbook: pages from the registry, settings, tables and command line, figures drawn from the geometry core."""
