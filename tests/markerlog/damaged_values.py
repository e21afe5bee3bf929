"""Values that a damaged or careless line of a log may hold."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

EDGES = [
    0, 1, -1, 15, 16, 255, 256, 8_000, 8_001, 1_024_000, 2_048_000, (1 << 53) - 1, 1 << 53,
    -(1 << 53), 1 << 64, 1 << 70,
]
ANY = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.sampled_from(EDGES), st.integers(), st.just(1.5),
        st.text(max_size=6), st.sampled_from(["00000", "fffff", "79A38", "79A3", "low", "é\u0000"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(st.sampled_from(["idle", "width_us", "name", "events", "5"]), inner),
    ),
    max_leaves=6,
)


def values_near(value: Any) -> st.SearchStrategy[Any]:
    """Anything, and often something like the value."""
    if isinstance(value, int) and not isinstance(value, bool):
        return st.one_of(st.sampled_from(EDGES), ANY)
    if isinstance(value, dict):
        table = st.dictionaries(st.sampled_from(sorted({*value, "idle", "events"})), ANY)
        return st.one_of(table.map(lambda changed: value | changed), ANY)
    return ANY
