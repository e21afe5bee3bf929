"""Internal: formats of recordings. EDF and BDF, BrainVision, XDF, tables of events.

`load_events` in `loading` tells them apart. `edf`, `brainvision` and `xdf` open status channels for
`tallymark.recording.event_extraction`; `table`, and what else is a list, goes through `eventlist`.
"""
