"""Ports: which one is a box's, and bytes to and from it."""
