"""Engines that register two phases of one heart."""
