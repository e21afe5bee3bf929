"""Requests on their way to a box, and what comes back."""
