"""Which persons and lights some chain of shared lights ties to a reference, and which frames are left alone for want of
one."""

from __future__ import annotations

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.tables import BoolArray, IntArray, Table

POSSIBLE = 0.5
"""Probability from which a face may tie a person to a light: more likely theirs than not."""
LIKELY = 0.9
"""Probability from which a face may link a person to a reference: a wrong link forces colours on a whole group of
people (world `reference never with the others`, where half and 0.9 differ; 0.95 is the same)."""
ONE_SKIN_Z, ONE_SKIN_EV = 2.0, 0.25
"""The usual tolerance: within it the answer is right for either of two people."""


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


def linked_persons(
    table: Table, place: IntArray, referenced: BoolArray, person: IntArray, known: BoolArray
) -> BoolArray:
    """Persons (P,) whom some chain of lights ties to a reference or a fixed frame, by the faces that are known.

    `person`, `known` (N,): most probable person of each face, and whether that is certain enough.
    """
    shown = np.zeros((len(known), len(referenced)), dtype=bool)
    rows = np.flatnonzero(known)
    shown[rows, person[rows]] = True
    return tied(table, place, referenced, shown)[0]


def adrift(
    table: Table, place: IntArray, referenced: BoolArray, probability: FloatArray, own: FloatArray
) -> tuple[BoolArray, BoolArray]:
    """Frames (F,) in a light that shows faces, and nobody of whom a chain of lights may lead to a reference; those (F,)
    of them whose light shows nobody who is more likely one of the shoot's persons than not.

    What these people should look like is not known: a colour of people in general, or of the likeliest of many, would
    be forced on them. Whoever a face most likely is counts, known or not, so that a doubtful name leaves no frame out;
    but a doubtful face ties no others to a reference. People of one skin (siblings) count together.
    `probability` (N, P + 1), `own` (P, 3) colours.
    """
    apart = np.abs(own[:, None] - own)
    one = (np.hypot(apart[..., 0], apart[..., 1]) < ONE_SKIN_Z) & (apart[..., 2] < ONE_SKIN_EV)
    persons = probability[:, :-1]
    likeliest = persons == persons.max(axis=1, keepdims=True, initial=0.0)
    together = persons @ one
    shown = np.asarray(likeliest & (together >= POSSIBLE))
    likely = np.asarray(likeliest & (together >= LIKELY))
    linked, by_chain = tied(table, place, referenced, likely)
    of_face, n = place[table.face_frame], len(by_chain)
    by_chain = by_chain | (_places(of_face, shown & linked, n) & ~_places(of_face, likely, n))
    alone = (np.bincount(of_face, minlength=n) > 0) & ~by_chain
    return alone[place], (alone & ~_places(of_face, shown, n))[place]


def _places(of_face: IntArray, shown: BoolArray, n: int) -> BoolArray:
    """Of n places those (n,) in which some face (N,) shows any of some persons; `shown` (N, P)."""
    return np.asarray(np.bincount(of_face[shown.any(axis=1)], minlength=n) > 0)
