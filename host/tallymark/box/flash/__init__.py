"""Internal: writes firmware to a board."""
