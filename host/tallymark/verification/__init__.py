"""Internal: is this box built right? `selftest` drives the lines, reads them back and names wiring
faults; `acceptance` takes a first board through a procedure with a second box as witness.
"""
