"""Internal: the eight lines. Codes, wiring with faults, VCD files, plots."""
