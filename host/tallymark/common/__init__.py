"""Internal: what all rooms stand on. It imports none of them, but for the names of requests and
reasons (`box.wire`), which errors tell.

`errors` that the library raises (import their classes from `tallymark`), `formatting` of numbers
and times for people, `colours` of charts; `lines`: VCD files, plots, codes and wiring of the eight
lines; `signature`: the session signature.
"""
