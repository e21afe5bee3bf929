"""Internal, except for the classes that `tallymark` exports: a box and all between it and its port.

Import `Box`, `Capture`, `Marker`, `Sequence` and `Settings` from `tallymark`.
"""
