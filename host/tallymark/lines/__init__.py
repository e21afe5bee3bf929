"""The eight lines: codes, wires with faults, traces as a file or a plot."""
