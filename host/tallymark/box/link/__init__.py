"""Internal: pending requests, their answers, and notices."""
