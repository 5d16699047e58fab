"""A first answer for the whole shoot: which constellation of faces in each light group is which persons.

The joint problem is not convex where nobody says who is who: a group in which everybody is taken for the wrong person
explains itself. But a group is a point set (`constellation`) that must be laid on the persons known (`placing`); which
persons there are (`rosters`) is found on the way, and several ways are tried (`search`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.constellation import constellation
from xmpsync.solve.persons import Population, Roster
from xmpsync.solve.rosters import recoloured
from xmpsync.solve.search import laid, orders, relinked, split
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import IntArray, Table


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """A first answer: frames at theta (F, 3), the persons."""

    theta: FloatArray
    roster: Roster


def register(
    table: Table,
    group: IntArray,
    theta: FloatArray,
    rosters: tuple[Roster, ...],
    state_sd: tuple[float, float],
    people: Population,
    s: SolveSettings,
) -> Start:
    """A first answer from frames at theta (F, 3), which holds one white per group; faces scatter by `state_sd` (z, EV).

    The groups are taken in several orders (clearest first, largest first, outwards in time from the reference), from
    each of the rosters; the outcome that explains most wins.
    """
    n_groups = int(group.max(initial=-1)) + 1
    sets = [c for g in range(n_groups) if (c := constellation(table, group, g, theta, state_sd, s)) is not None]
    ids = [int(group[table.face_frame[c.rows[0]]]) for c in sets]
    tried = [
        (relinked(sets, order, laid(sets, order, r, people, s), people), order)
        for r in rosters
        for order in orders(table, sets, r, people)
    ]
    best, order = max(tried, key=lambda t: t[0].score)
    best = split(sets, order, best, people, s)
    out = theta.copy()
    for i, g in enumerate(ids):
        if not sets[i].pinned:
            rows = group == g
            step = np.linalg.solve(sets[i].by_theta, best.shift[i])
            out[rows] += np.where(table.fixed[rows, None], 0.0, step)
    return Start(out, recoloured(sets, best.shift, best.roster, people))
