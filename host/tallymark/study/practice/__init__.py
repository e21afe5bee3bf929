"""An archive for practice, with faults that grow over time, and the truth beside it."""

from tallymark.study.practice.archive import make_archive

__all__ = ["make_archive"]
