"""The options of the URL `virtual://`."""

OPTIONS = {
    "time": ("time=stepped", "its time advances only while the program waits; default: time=real"),
    "serial": ("serial=00112233AABBCCDD", "its serial number, 16 hexadecimal digits"),
    "fault": ("fault=open:3", "a fault in its wiring; may be repeated, joined by &"),
    "store": ("store=FILE", "a file that keeps its settings between runs"),
}
"""The options of the URL: an example of each, and what it does."""
