"""The options of the URL `virtual://`."""

OPTIONS = {
    "time": ("time=stepped", "its time moves only while somebody waits; default: time=real"),
    "serial": ("serial=00112233AABBCCDD", "its serial number, 16 hexadecimal digits"),
    "fault": ("fault=open:3", "a fault in its wiring; may be given several times, joined by &"),
    "store": ("store=FILE", "a file that keeps its settings from run to run"),
}
"""The options of the URL: an example of each, and what it does."""
