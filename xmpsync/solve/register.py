"""A first answer for the whole shoot: which constellation of faces in each light group is which persons.

The joint problem is not convex where nobody says who is who: a group in which everybody is taken for the wrong person
explains itself. But a group is a point set (`constellation`) that must be laid on the persons known (`likelihood`,
`placing`); which persons there are is found on the way (`worlds`, `outcome`), and several ways are tried (`search`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray, apply
from xmpsync.solve.constellation import constellations
from xmpsync.solve.persons import Population, Roster
from xmpsync.solve.search import best_outcome
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import IntArray, Table
from xmpsync.solve.worlds import roster_of, worlds


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
    c = constellations(table, group, theta, state_sd, s)
    if not c.n:
        return Start(theta, rosters[0])
    best = best_outcome(c, worlds(rosters, c, people), people, s)
    step = np.zeros((int(group.max()) + 1, 3))
    step[c.group] = np.where(c.pinned[:, None], 0.0, apply(c.theta_by_z, best.shift[0]))
    out = theta + np.where(table.fixed[:, None], 0.0, step[group])
    return Start(out, roster_of(best.worlds, 0, rosters, people))
