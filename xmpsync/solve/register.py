"""A first answer for the whole shoot: which constellation of faces in each light group is which persons.

The joint problem is not convex where nobody says who is who: a group in which everybody is taken for the wrong person
explains itself. But inside one group all colours are displaced by one and the same vector (a change of white is a
shift in the coordinate z, a change of level too), so a group is a point set that must be laid on the persons known:

    maximise over d   sum_i ln [ sum_p pi_p t(y_i + d - S_p) + pi_0 N(y_i + d; people) ]  +  ln N(d; light)

y_i the faces at a common white. Candidates are all d that carry one face to one person, refined by a few steps of
expectation and maximisation, all at once. Groups are taken in order of how clear they are, starting with those that
hold a reference; faces that fit nobody and repeat become new persons, so that the roster grows while it is used. A
second pass lays every group again on what all the others found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray, apply, inverse
from xmpsync.solve.mixture import log_colour, log_sum, responsibilities, softmax
from xmpsync.solve.persons import Population, Roster, pointed_at, with_new
from xmpsync.solve.settings import SolveSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table

MOST_FACES = 48
"""Faces of one group that are looked at; more add nothing to a shift of three numbers."""
MOST_SEEDS = 16
"""Faces of one group that propose a shift."""
KEPT = 12
"""Best proposals that are refined."""
REFINEMENTS = 4
FEW_SETS = 60
"""Groups up to which several orders are tried; more groups correct one another."""
SECOND_PASSES = 2
MOST_RELINKS = 2
MOST_SPLITS = 3
RARE_SHARE = 1.0
"""Part of an equal share of all faces below which a person with a reference counts as hardly seen."""
SMALLEST_COUNT = 1.5
"""Faces below which a person found by colour is dropped again."""
NEW_PERSON_COST = 8.0
"""Log evidence that one more person must bring: three numbers more, each known to some tenth of its prior width."""
ABSENT_COST = 2.0
"""Log evidence against a light group that shows nobody with a reference: references are people who are there a lot."""
TAILS = 4.0
"""Degrees of freedom of the light prior (Student's t): a silhouette or a lamp far from as-shot stays possible."""


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """A first answer: frames at theta (F, 3), the persons."""

    theta: FloatArray
    roster: Roster


@dataclass(frozen=True, slots=True, eq=False)
class Constellation:
    """Faces of one group (rows) at a common white: y (n, 3), covariance (n, 3, 3); prior of the shift in
    (mired, tint, EV): mean and sd (3,); mean dz/dtheta."""

    rows: IntArray
    frame: IntArray
    y: FloatArray
    covariance: FloatArray
    prior_mean: FloatArray
    prior_sd: FloatArray
    by_theta: FloatArray
    pinned: bool


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """The best shift d (3,), its log score and the margin over the best quite different one."""

    shift: FloatArray
    score: float
    margin: float


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
    sets = [c for g in range(n_groups) if (c := _constellation(table, group, g, theta, state_sd, s)) is not None]
    ids = [int(group[table.face_frame[c.rows[0]]]) for c in sets]
    tried = [
        (_relinked(sets, order, _laid(sets, order, r, people, s), people), order)
        for r in rosters
        for order in _orders(table, sets, r, people)
    ]
    best, order = max(tried, key=lambda t: t[0].score)
    best = _split(sets, order, best, people, s)
    out = theta.copy()
    for i, g in enumerate(ids):
        if not sets[i].pinned:
            rows = group == g
            step = np.linalg.solve(sets[i].by_theta, best.shift[i])
            out[rows] += np.where(table.fixed[rows, None], 0.0, step)
    return Start(out, _recoloured(sets, best.shift, best.roster, people))


@dataclass(frozen=True, slots=True, eq=False)
class _Outcome:
    shift: dict[int, FloatArray]
    roster: Roster
    score: float


def _orders(table: Table, sets: list[Constellation], roster: Roster, people: Population) -> list[list[int]]:
    """Different orders (rows of `sets`), those that hold a fixed frame first."""
    number = range(len(sets))
    margin = [_place(c, roster, people).margin for c in sets]
    size = [len(c.rows) for c in sets]
    when = np.array([np.median(table.time_s[table.face_frame[c.rows]]) for c in sets])
    anchors = [when[i] for i in number if sets[i].pinned]
    away = [float(np.min(np.abs(when[i] - np.array(anchors)))) if anchors else 0.0 for i in number]
    orders = [sorted(number, key=lambda i: (not sets[i].pinned, -margin[i], i))]
    if len(sets) <= FEW_SETS:
        orders.append(sorted(number, key=lambda i: (not sets[i].pinned, -size[i], i)))
        orders.append(sorted(number, key=lambda i: (not sets[i].pinned, away[i], i)))
    return [list(order) for order in dict.fromkeys(tuple(order) for order in orders)]


def _laid(
    sets: list[Constellation], order: list[int], roster: Roster, people: Population, s: SolveSettings
) -> _Outcome:
    """All groups laid in one order, then each once more on what the others found."""
    shift: dict[int, FloatArray] = {}
    for i in order:
        shift[i] = _place(sets[i], roster, people).shift
        roster = _grown(sets[i], shift[i], roster, people, s)
    return _settled(sets, order, shift, roster, people, SECOND_PASSES)


def _settled(
    sets: list[Constellation],
    order: list[int],
    shift: dict[int, FloatArray],
    roster: Roster,
    people: Population,
    passes: int,
) -> _Outcome:
    """Persons and groups in turn, each group on what the others found; and how well it all explains the faces."""
    shift = dict(shift)
    for _ in range(passes):
        counts = _counts(sets, shift, roster, people)
        roster, counts = _pruned(roster, counts)
        roster = _recoloured(sets, shift, roster, people)
        for i in order:
            others = counts.sum(axis=0) - counts[i]
            shift[i] = _place(sets[i], _only(roster, roster.referenced | (others > 0.5)), people).shift
    roster = _recoloured(sets, shift, roster, people)
    score = sum(float(_score(c, shift[i][None], roster, people)[0]) for i, c in enumerate(sets))
    off = (roster.z - people.mean)[~roster.referenced]
    score += float(-0.5 * np.einsum("pi,ij,pj->", off, np.linalg.inv(people.covariance), off))
    return _Outcome(shift, roster, score - NEW_PERSON_COST * roster.n)


def _relinked(sets: list[Constellation], order: list[int], outcome: _Outcome, people: Population) -> _Outcome:
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
                tried.append(_settled(sets, order, shift, _kept(moved, keep), people, 1))
        best = max(tried, key=lambda o: o.score, default=outcome)
        if best.score <= outcome.score:
            break
        outcome = best
    return outcome


def _split(
    sets: list[Constellation], order: list[int], outcome: _Outcome, people: Population, s: SolveSettings
) -> _Outcome:
    """The outcome after trying to take the faces of one person for two.

    Two people of like colour fit one person in the middle well enough that nobody new is founded; but their faces lie
    in two heaps. Each person's faces are cut across their longest axis, and the further heap becomes a new person.
    """
    for _ in range(MOST_SPLITS):
        r = outcome.roster
        if int((~r.named & ~r.referenced).sum()) >= s.persons.most_persons:
            break
        who = [_who(c, outcome.shift[i], r, people)[:, :-1] for i, c in enumerate(sets)]
        z = np.concatenate([c.y + outcome.shift[i] for i, c in enumerate(sets)])
        covariance = np.concatenate([c.covariance for c in sets])
        member = np.concatenate(who) > 0.5
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


def _pruned(roster: Roster, counts: FloatArray) -> tuple[Roster, FloatArray]:
    """Without persons found by colour whom hardly a face shows any more."""
    keep = roster.referenced | roster.named | (counts.sum(axis=0) >= SMALLEST_COUNT)
    return (roster, counts) if keep.all() else (_kept(roster, keep), counts[:, keep])


def _kept(roster: Roster, keep: BoolArray) -> Roster:
    columns = np.append(keep, True)
    share = roster.share[columns]
    return replace(
        roster,
        names=tuple(n for n, k in zip(roster.names, keep, strict=True) if k),
        named=roster.named[keep],
        referenced=roster.referenced[keep],
        z=roster.z[keep],
        covariance=roster.covariance[keep],
        prior_mean=roster.prior_mean[keep],
        prior_precision=roster.prior_precision[keep],
        log_prior=roster.log_prior[:, columns],
        share=share / share.sum(),
    )


def _constellation(
    table: Table, group: IntArray, g: int, theta: FloatArray, state_sd: tuple[float, float], s: SolveSettings
) -> Constellation | None:
    member = group[table.face_frame] == g
    rows = np.flatnonzero(member)
    if not len(rows):
        return None
    if len(rows) > MOST_FACES:
        rows = rows[np.linspace(0, len(rows) - 1, MOST_FACES).round().astype(int)]
    at = table.faces_at_rows(theta, rows)
    frames = table.face_frame[rows]
    uncoupled = table.flash[frames] | ~np.isfinite(table.settings_ev[frames])
    floor_ev = np.where(uncoupled, s.light.uncoupled_ev_sd, np.hypot(state_sd[1], s.light.frame_ev_sd))
    covariance = at.by_log_camera @ table.face_log_covariance[rows] @ np.swapaxes(at.by_log_camera, -1, -2)
    covariance = covariance + np.diag([state_sd[0] ** 2, state_sd[0] ** 2, 0.0])
    covariance[:, 2, 2] += floor_ev**2
    by_theta = np.median(at.by_theta, axis=0)
    frames_of_group = np.flatnonzero(group == g)
    pinned = bool(table.fixed[frames_of_group].any())
    as_shot = np.median(table.as_shot[frames_of_group], axis=0)
    d_theta = as_shot - np.median(theta[frames_of_group], axis=0)
    return Constellation(
        rows=rows,
        frame=frames,
        y=at.z,
        covariance=covariance,
        prior_mean=d_theta,
        prior_sd=np.array([s.light.as_shot_mired_sd, s.light.as_shot_tint_sd, s.light.level_sd]),
        by_theta=by_theta,
        pinned=pinned,
    )


def _place(c: Constellation, roster: Roster, people: Population) -> Placement:
    if c.pinned:
        return Placement(np.zeros(3), 0.0, np.inf)
    seeds = np.unique(np.linspace(0, len(c.y) - 1, min(MOST_SEEDS, len(c.y))).round().astype(int))
    d = (roster.z[None, :, :] - c.y[seeds, None, :]).reshape(-1, 3)
    d = np.vstack([d, people.mean - c.y.mean(axis=0), c.by_theta @ c.prior_mean])
    d = d[np.argsort(-_score(c, d, roster, people), kind="stable")[:KEPT]]
    for _ in range(REFINEMENTS):
        d = _refined(c, d, roster, people)
    score = _score(c, d, roster, people)
    best = int(np.argmax(score))
    other = np.linalg.norm((d - d[best])[:, :2], axis=1) > 1.5
    margin = float(score[best] - score[other].max()) if other.any() else float("inf")
    return Placement(d[best], float(score[best]), min(margin, 1e3))


def _log_joint(c: Constellation, d: FloatArray, roster: Roster, people: Population) -> FloatArray:
    """(C, n, P + 1) for shifts d (C, 3)."""
    log_density = log_colour(c.y + d[:, None, :], c.covariance, roster.z, roster.covariance, people)
    return np.asarray(log_density + roster.log_prior[c.rows] + np.log(roster.share))


def _who(c: Constellation, d: FloatArray, roster: Roster, people: Population) -> FloatArray:
    """Probabilities (n, P + 1) at one shift; a frame shows nobody twice."""
    return responsibilities(_log_joint(c, d[None], roster, people)[0], c.frame)


def _score(c: Constellation, d: FloatArray, roster: Roster, people: Population) -> FloatArray:
    light = -0.5 * (TAILS + 1.0) * np.log1p(_away(c, d) ** 2 / TAILS).sum(axis=1)
    if c.pinned:
        light = np.zeros(len(d))
    joint = _log_joint(c, d, roster, people)
    total = log_sum(joint)
    seen = np.exp(joint[..., :-1][..., roster.referenced] - total[..., None]).sum(axis=(1, 2))
    return np.asarray(total.sum(axis=1) + light - ABSENT_COST * np.exp(-seen))


def _away(c: Constellation, d: FloatArray) -> FloatArray:
    """Shifts (C, 3) as standard deviations of the light prior in (mired, tint, EV)."""
    return np.asarray((np.linalg.solve(c.by_theta, d.T).T - c.prior_mean) / c.prior_sd)


def _refined(c: Constellation, d: FloatArray, roster: Roster, people: Population) -> FloatArray:
    r = softmax(_log_joint(c, d, roster, people))
    precision, wide = inverse(c.covariance), inverse(c.covariance + people.covariance)
    known = 1.0 - r[..., -1]
    # The t prior as a normal one whose weight follows the distance, in the coordinate of the shift.
    weight = (TAILS + 1.0) / (TAILS + _away(c, d) ** 2) / c.prior_sd**2
    theta_by_z = np.linalg.inv(c.by_theta)
    light = np.einsum("ki,ck,kj->cij", theta_by_z, weight, theta_by_z)
    wanted = np.einsum("cnp,pi->cni", r[..., :-1], roster.z) - known[..., None] * c.y
    a = np.einsum("cn,nij->cij", known, precision) + np.einsum("cn,nij->cij", r[..., -1], wide) + light
    b = (
        np.einsum("nij,cnj->ci", precision, wanted)
        + np.einsum("cn,nij,nj->ci", r[..., -1], wide, people.mean - c.y)
        + light @ (c.by_theta @ c.prior_mean)
    )
    return np.asarray(np.linalg.solve(a, b[..., None])[..., 0])


def _grown(c: Constellation, d: FloatArray, roster: Roster, people: Population, s: SolveSettings) -> Roster:
    """The roster after this group: repeated colours that fit nobody become persons."""
    told: BoolArray = np.asarray(pointed_at(roster).any(axis=1))
    for _ in range(s.persons.most_persons):
        if int((~roster.named & ~roster.referenced).sum()) >= s.persons.most_persons:
            break
        r = _who(c, d, roster, people)
        # A face that names or identity give to somebody is no evidence for a new person.
        free = (r[:, -1] > 0.5) & ~told[c.rows]
        candidates = np.flatnonzero(free)
        if len(candidates) < s.persons.smallest_person:
            break
        z = c.y[candidates] + d
        gap = z[:, None, :] - z[None, :, :]
        q = np.einsum("abi,aij,abj->ab", gap, inverse(c.covariance[candidates]), gap)
        near = q < 0.5 * s.persons.new_person_chi2
        best = int(np.argmax(near.sum(axis=1)))
        if near[best].sum() < s.persons.smallest_person:
            break
        own = np.linalg.inv(inverse(c.covariance[candidates[near[best]]]).sum(axis=0))
        roster = with_new(roster, z[near[best]].mean(axis=0), own, people)
    return roster


def _counts(sets: list[Constellation], shift: dict[int, FloatArray], roster: Roster, people: Population) -> FloatArray:
    return np.array([
        _who(c, shift[i], roster, people)[:, :-1].sum(axis=0) for i, c in enumerate(sets)
    ]).reshape(-1, roster.n)  # fmt: skip


def _recoloured(sets: list[Constellation], shift: dict[int, FloatArray], roster: Roster, people: Population) -> Roster:
    """Persons' colours and shares from all faces where the groups lie now; references stay."""
    precision = roster.prior_precision.copy()
    right = apply(precision, roster.prior_mean)
    share = np.where(np.append(roster.referenced, False), 3.0, 0.5)
    for i, c in enumerate(sets):
        r = _who(c, shift[i], roster, people)
        share = share + r.sum(axis=0)
        own = inverse(c.covariance)
        precision += np.einsum("np,nij->pij", r[:, :-1], own)
        right += np.einsum("np,nij,nj->pi", r[:, :-1], own, c.y + shift[i])
    covariance: FloatArray = np.linalg.inv(precision).astype(float)
    z = apply(covariance, right)
    return replace(roster, z=z, covariance=covariance, share=share / share.sum())


def _only(roster: Roster, usable: BoolArray) -> Roster:
    """The roster with the other persons out of reach (their share is next to nothing)."""
    share = np.where(np.append(usable, True), roster.share, 1e-9)
    return replace(roster, share=share / share.sum())
