"""A box and everything between `Box` and its port: requests, frames, ports, firmware."""
