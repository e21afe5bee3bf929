"""Internal: acceptance of a first board, measured by a second box as witness.

`stimulus_driver` drives a box and notes what; `witness_observation` is what a witness saw,
`witness_box` its capture; `pulse_pattern_locator` finds one in the other; `pattern_judge` and
`hold_restart_power_judge` judge the steps that `step` names by `limits`; `record` seals and signs
what is kept. `procedure` takes a box through all of it, with `box_and_witness` (real or virtual)
and `logic_analyser_trace` or a second box as witness; `record_view` draws the record.
"""
