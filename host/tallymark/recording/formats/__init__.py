"""Internal: formats of recordings. EDF and BDF, BrainVision, XDF, tables of events.

`load_events` in `loader` tells them apart. `edf`, `brainvision` and `xdf` open status channels for
`tallymark.recording.event_extraction`; `delimited_text`, and what else is a list, goes through
`event_rows`.
"""
