"""The search over whole outcomes: orders of groups, persons taken for others, two people taken for one.

Groups are taken in order of how clear they are, starting with those that hold a reference; faces that fit nobody and
repeat become new persons, so that the roster grows while it is used. A second pass lays every group again on what all
the others found. The outcome that explains most wins.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray, inverse
from xmpsync.solve.constellation import Constellation, score, who
from xmpsync.solve.persons import Population, Roster, with_new
from xmpsync.solve.placing import place
from xmpsync.solve.rosters import counts_of, grown, kept, only, pruned, recoloured
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import Table

FEW_SETS = 60
"""Groups up to which several orders are tried; more groups correct one another."""
SECOND_PASSES = 2
MOST_RELINKS = 2
MOST_SPLITS = 3
RARE_SHARE = 1.0
"""Part of an equal share of all faces below which a person with a reference counts as hardly seen."""
NEW_PERSON_COST = 8.0
"""Log evidence that one more person must bring: three numbers more, each known to some tenth of its prior width."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    shift: dict[int, FloatArray]
    roster: Roster
    score: float


def orders(table: Table, sets: list[Constellation], roster: Roster, people: Population) -> list[list[int]]:
    """Different orders (rows of `sets`), those that hold a fixed frame first."""
    number = range(len(sets))
    margin = [place(c, roster, people).margin for c in sets]
    size = [len(c.rows) for c in sets]
    when = np.array([np.median(table.time_s[table.face_frame[c.rows]]) for c in sets])
    anchors = [when[i] for i in number if sets[i].pinned]
    away = [float(np.min(np.abs(when[i] - np.array(anchors)))) if anchors else 0.0 for i in number]
    found = [sorted(number, key=lambda i: (not sets[i].pinned, -margin[i], i))]
    if len(sets) <= FEW_SETS:
        found.append(sorted(number, key=lambda i: (not sets[i].pinned, -size[i], i)))
        found.append(sorted(number, key=lambda i: (not sets[i].pinned, away[i], i)))
    return [list(order) for order in dict.fromkeys(tuple(order) for order in found)]


def laid(sets: list[Constellation], order: list[int], roster: Roster, people: Population, s: SolveSettings) -> Outcome:
    """All groups laid in one order, then each once more on what the others found."""
    shift: dict[int, FloatArray] = {}
    for i in order:
        shift[i] = place(sets[i], roster, people).shift
        roster = grown(sets[i], shift[i], roster, people, s)
    return _settled(sets, order, shift, roster, people, SECOND_PASSES)


def _settled(
    sets: list[Constellation],
    order: list[int],
    shift: dict[int, FloatArray],
    roster: Roster,
    people: Population,
    passes: int,
) -> Outcome:
    """Persons and groups in turn, each group on what the others found; and how well it all explains the faces."""
    shift = dict(shift)
    for _ in range(passes):
        counts = counts_of(sets, shift, roster, people)
        roster, counts = pruned(roster, counts)
        roster = recoloured(sets, shift, roster, people)
        for i in order:
            others = counts.sum(axis=0) - counts[i]
            shift[i] = place(sets[i], only(roster, roster.referenced | (others > 0.5)), people).shift
    roster = recoloured(sets, shift, roster, people)
    total = sum(float(score(c, shift[i][None], roster, people)[0]) for i, c in enumerate(sets))
    off = (roster.z - people.mean)[~roster.referenced]
    total += float(-0.5 * np.einsum("pi,ij,pj->", off, np.linalg.inv(people.covariance), off))
    return Outcome(shift, roster, total - NEW_PERSON_COST * roster.n)


def relinked(sets: list[Constellation], order: list[int], outcome: Outcome, people: Population) -> Outcome:
    """The outcome after trying to take a person found by colour for one with a reference.

    Groups that agree among themselves but were never tied to the reference may float as a whole, with the reference
    person taken for a new one: then all of them move by the same shift.
    """
    for _ in range(MOST_RELINKS):
        r = outcome.roster
        tried = []
        # Only a reference whom hardly a face shows can have been taken for somebody new.
        rare = r.referenced & (r.share[:-1] < RARE_SHARE / max(r.n, 1))
        for known in np.flatnonzero(rare):
            for found in np.flatnonzero(~r.referenced & ~r.named):
                move = r.z[known] - r.z[found]
                shift = {i: d + (0.0 if sets[i].pinned else move) for i, d in outcome.shift.items()}
                moved = replace(r, z=np.where(r.referenced[:, None], r.z, r.z + move))
                keep = np.arange(r.n) != found
                tried.append(_settled(sets, order, shift, kept(moved, keep), people, 1))
        best = max(tried, key=lambda o: o.score, default=outcome)
        if best.score <= outcome.score:
            break
        outcome = best
    return outcome


def split(
    sets: list[Constellation], order: list[int], outcome: Outcome, people: Population, s: SolveSettings
) -> Outcome:
    """The outcome after trying to take the faces of one person for two.

    Two people of like colour fit one person in the middle well enough that nobody new is founded; but their faces lie
    in two heaps. Each person's faces are cut across their longest axis, and the further heap becomes a new person.
    """
    for _ in range(MOST_SPLITS):
        r = outcome.roster
        if int((~r.named & ~r.referenced).sum()) >= s.persons.most_persons:
            break
        shown = [who(c, outcome.shift[i], r, people)[:, :-1] for i, c in enumerate(sets)]
        z = np.concatenate([c.y + outcome.shift[i] for i, c in enumerate(sets)])
        covariance = np.concatenate([c.covariance for c in sets])
        member = np.concatenate(shown) > 0.5
        tried = []
        for p in range(r.n):
            own = np.flatnonzero(member[:, p])
            if len(own) < 2 * s.persons.smallest_person:
                continue
            root = np.linalg.cholesky(inverse(covariance[own]).mean(axis=0))
            off = (z[own] - r.z[p]) @ root
            along = off @ np.linalg.svd(off - off.mean(axis=0), full_matrices=False)[2][0]
            middle = 0.5 * (along.max() + along.min())
            heaps = [own[along > middle], own[along <= middle]]
            # A reference stays where it is: the heap further from it is the other person.
            heaps.sort(key=lambda h: float(np.linalg.norm((z[h].mean(axis=0) - r.z[p]) @ root)))
            near, far = heaps
            if len(far) < s.persons.smallest_person or not len(near):
                continue
            more = with_new(r, z[far].mean(axis=0), np.linalg.inv(inverse(covariance[far]).sum(axis=0)), people)
            moved = more.z.copy()
            if not r.referenced[p]:
                moved[p] = z[near].mean(axis=0)
            tried.append(_settled(sets, order, outcome.shift, replace(more, z=moved), people, 1))
        best = max(tried, key=lambda o: o.score, default=outcome)
        if best.score <= outcome.score:
            break
        outcome = best
    return outcome
