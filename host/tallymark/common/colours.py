"""Colours of all charts and reports.

INK and the five below it were found by a search for colours that are read on white (contrast 4.6
and more) and stay as far apart as possible for people with normal sight and with each of the three
kinds of colour blindness; `tests/recording/test_colours.py` measures it. Shapes differ as well.
"""

INK = "#1a1d21"
SENT = "#376ad4"
"""What arrived, and the lines themselves."""
BAD = "#801702"
DOUBT = "#946906"
GOOD = "#145450"
UNKNOWN = "#561782"
"""What can't be known."""

SOFT, RULE, WASH, PAPER = "#4d555e", "#c9ced4", "#f2f4f6", "#ffffff"
"""Second texts, rules, grounds of tables, paper."""
BAND = "#dfe5ea"
"""Areas behind points and under lines."""
