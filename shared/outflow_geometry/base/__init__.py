"""Planes, contours, errors and what a reading brings; imports nothing of the other floors."""
