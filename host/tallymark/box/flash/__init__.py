"""Loading firmware into a board."""
