"""Sightings: one person in one burst is one witness of who that is.

Frames of a moment share composition and pose, so the identity vectors of a face repeat from frame to frame: eight
pictures of a burst say hardly more than one. Faces of a moment that stand in the same place are one sighting.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.likeness import usual_sd
from xmpsync.solve.tables import IntArray, Table, summed, totals

SAME_PLACE = 0.5
"""Of a face's width: centres this near are the same face in the next frame of a burst."""


@dataclass(frozen=True, slots=True, eq=False)
class Sightings:
    """Sighting of each face (N,); of each its mean vector (U, 128), that one's sd (U,), NaN where none, its moment."""

    of_face: IntArray
    vector: FloatArray
    sd: FloatArray
    moment: IntArray

    def mean_of(self, values: FloatArray) -> FloatArray:
        """Mean (U, ...) over the faces of each sighting of values (N, ...)."""
        count = np.bincount(self.of_face, minlength=len(self.moment))
        total = summed(self.of_face, values, len(self.moment))
        return np.asarray(total / count.reshape(-1, *[1] * (values.ndim - 1)))

    def told(self, person: IntArray) -> IntArray:
        """Person (U,) that any face of a sighting is told to be (N,), -1 where none."""
        out = np.full(len(self.moment), -1, dtype=np.intp)
        np.maximum.at(out, self.of_face, person)
        return out


def sightings(table: Table, moment: IntArray) -> Sightings:
    """The sightings of all faces; `moment` (F,) of the frames."""
    of_face = np.zeros(table.n_faces, dtype=np.intp)
    places: dict[int, list[tuple[float, float, int, int]]] = {}
    moments: list[int] = []
    for i, face in enumerate(table.faces):
        frame = int(table.face_frame[i])
        here = places.setdefault(int(moment[frame]), [])
        x, y = face.box.centre
        reach = SAME_PLACE * max(face.box.width, face.box.height)
        near = [
            (abs(x - u) + abs(y - v), k)
            for k, (u, v, _, last) in enumerate(here)
            if last != frame and max(abs(x - u), abs(y - v)) <= reach
        ]
        if near:
            k = min(near)[1]
            of_face[i] = here[k][2]
            here[k] = (x, y, here[k][2], frame)
        else:
            of_face[i] = len(moments)
            here.append((x, y, len(moments), frame))
            moments.append(int(moment[frame]))
    n = len(moments)
    seen = [i for i, face in enumerate(table.faces) if face.identity is not None]
    vector = np.array([table.faces[i].identity for i in seen], dtype=np.float64).reshape(-1, 128)
    own_sd = np.array([table.faces[i].identity_sd or usual_sd() for i in seen])
    total = summed(of_face[seen], vector / own_sd[:, None] ** 2, n)
    weight, count = totals(of_face[seen], own_sd**-2, n), totals(of_face[seen], np.ones(len(seen)), n)
    known = count > 0
    safe = np.where(known, weight, 1.0)
    sd = np.where(known, np.sqrt(np.where(known, count, 1.0) / safe), np.nan)
    return Sightings(
        of_face, np.where(known[:, None], total / safe[:, None], np.nan), sd, np.array(moments, dtype=np.intp)
    )
