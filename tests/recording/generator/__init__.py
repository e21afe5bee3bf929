"""Recordings with a known truth, made without a line of the library: designs (what was sent),
damages (what became of it on the way), an amplifier, and an oracle that knows what was planted."""
