"""Internal: finds and opens ports; bytes to and from them; the time base."""
