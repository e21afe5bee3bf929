"""Internal: PROTOCOL.md as code. Frames, messages, layouts, values."""
