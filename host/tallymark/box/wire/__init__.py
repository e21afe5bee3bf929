"""The protocol's bytes: frames, messages, and the values in them."""
