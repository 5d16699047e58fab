"""Fewer passes of Python's cycle collector while many small objects are made."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

THRESHOLDS = (20_000, 500, 1_000)
"""Objects, young and middle passes between two passes of the collector."""


@contextmanager
def seldom_collected() -> Iterator[None]:
    """A block, or a function that it decorates, in which the collector runs seldom.

    Parsing thousands of sidecars makes millions of objects; at Python's own thresholds the collector looks through all
    that live again and again, a fifth of the time of a plan. Parsed trees are cycles (a child knows its parent), so it
    is not switched off: a pass over the young frees those of some ten packets, and it is passes over the old that cost.
    """
    before = gc.get_threshold()
    gc.set_threshold(*THRESHOLDS)
    try:
        yield
    finally:
        gc.set_threshold(*before)


def stays() -> None:
    """What was made so far lives until the process ends: the collector looks through it no more.

    For a process that keeps one shoot. A pass over what two thousand frames hold costs as much as an answer from them.
    """
    gc.collect()
    gc.freeze()
