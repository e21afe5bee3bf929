"""Internal: what all rooms stand on, and what imports none of them.

`errors` that the library raises (import their classes from `tallymark`), `formatting` of numbers
and times for people, `colours` of charts; `lines`: VCD files, plots, codes and wiring of the eight
lines; `signature`: the session signature.
"""
