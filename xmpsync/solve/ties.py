"""Which persons and lights some chain of shared lights ties to a reference."""

from __future__ import annotations

import numpy as np

from xmpsync.solve.tables import BoolArray, IntArray, Table


def tied(table: Table, place: IntArray, referenced: BoolArray, shown: BoolArray) -> tuple[BoolArray, BoolArray]:
    """Persons (P,) and places tied to a reference. `place` (F,): where each frame was taken; `shown` (N, P): whose face
    each is, or may be.

    A light ties together everybody seen in it; a light with a fixed frame is tied by itself.
    """
    seen = np.zeros((int(place.max(initial=-1)) + 1, len(referenced)), dtype=bool)
    np.logical_or.at(seen, place[table.face_frame], shown)
    linked = referenced.copy()
    by_chain = np.zeros(len(seen), dtype=bool)
    by_chain[place[table.fixed]] = True
    while True:
        by_chain |= (seen & linked).any(axis=1)
        more = linked | (seen & by_chain[:, None]).any(axis=0)
        if (more == linked).all():
            return linked, by_chain
        linked = more
