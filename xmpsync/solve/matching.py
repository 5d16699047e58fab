"""Named faces and the people who look alike: which name is whose.

Where identity cannot tell, a name given by hand (or a reference's face) stands on a single face, and whose other faces
belong to it is a matter of skin. Named faces mostly share one frame, in a light that may show nothing else: only their
differences say who is who, so they are matched all together, up to what that light adds to all of them.
When it fails: one named face alone in its light, among people whose skins are alike up to a change of white.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.parting import FARTHEST2, ODDS, RULED_OUT, Parted, Skins, settled
from xmpsync.solve.tables import BoolArray

MATCHES, MATCH_PASSES, MOST_OPTIONS = 3, 2, 5
"""Ways to match names that are tried in full, passes before they are listed, people in question for each name."""
LOOSE_Z = 2.0
"""How well (z) a named face's light is tied to the others, sd."""


def matched(s: Skins, h: Parted, kept: int) -> Parted:
    """The hypothesis with the persons of named faces (by hand) matched anew with the people who look alike, where that
    explains the named faces better.

    The first `kept` persons have names and stay; those of them that no hand named lend nobody their faces.
    Named faces mostly share one frame: only their differences say who is who, so they are matched all together.
    """
    hand = (h.bound >= 0) & (h.others <= RULED_OUT)
    named = np.unique(h.bound[hand]).tolist()
    n = h.r.shape[1]
    free = np.where(hand[:, None], 0.0, h.r)
    if all(_fits(h, hand & (h.bound == k), k, free) for k in named):
        return h
    # Everybody's other faces by themselves, behind those that bear the names.
    r = np.column_stack([np.where(hand[:, None], h.r, 0.0), free])
    told = np.column_stack([h.told, np.where(h.bound[:, None] >= 0, h.others[:, None], h.told)])
    alone = settled(s, replace(h, r=r, told=told, family=np.append(h.family, h.family)), MATCH_PASSES)
    many = free.sum(axis=0)
    options = []
    for k in named:
        alike = (free * (h.told[:, [k]] > RULED_OUT)).sum(axis=0)
        away = ((alone.colour[k] - alone.colour[n:]) ** 2 / (h.own + s.cell)).sum(axis=1)
        anonymous = np.isin(np.arange(n), named) | (np.arange(n) >= kept)
        may = np.flatnonzero((many > 0.5) & (alike > 0.5 * many) & anonymous)
        options.append([-1, *may[np.argsort(away[may])][:MOST_OPTIONS].tolist()])
    ways = [way for way in product(*options) if len({q for q in way if q >= 0}) == sum(q >= 0 for q in way)]
    ways.sort(key=lambda way: _misfit(alone, named, way, n, h.own + s.cell))
    for way in ways[:MATCHES]:
        other = settled(s, _renamed(h, hand, free, named, way))
        if other.score > h.score:
            h = other
            break
    return h


def _fits(h: Parted, own: BoolArray, k: int, free: FloatArray) -> bool:
    """Whether person k has other faces than those named by hand, and these fit."""
    away = (h.d[own, k] ** 2 / h.v[own, k]).sum(axis=-1).max()
    return bool(free[:, k].sum() > 0.5 and away < FARTHEST2)


def _misfit(h: Parted, named: list[int], way: tuple[int, ...], n: int, v: FloatArray) -> float:
    """Squared standard deviations between named faces and their people, up to what a light adds to all of them."""
    pairs = [(k, n + q) for k, q in zip(named, way, strict=True) if q >= 0]
    cost = 2.0 * ODDS * (len(way) - len(pairs))
    if pairs:
        d = np.array([h.colour[k] - h.colour[q] for k, q in pairs])
        cost += float(((d - d.mean(axis=0)) ** 2 / v).sum() + len(d) * (d.mean(axis=0) ** 2 / (v + LOOSE_Z**2)).sum())
    return cost


def _renamed(h: Parted, hand: BoolArray, free: FloatArray, named: list[int], way: tuple[int, ...]) -> Parted:
    """The hypothesis with the other faces of column way[i] under named person i; nobody else's are left behind."""
    r, told, family = np.where(hand[:, None], h.r, free), h.told.copy(), h.family.copy()
    left = [q for q in named if q not in way and free[:, q].sum() > 0.5]
    for k, q in zip(named, way, strict=True):
        r[:, k] = np.where(hand, h.r[:, k], free[:, q] if q >= 0 else 0.0)
    emptied = [q for q in way if q >= 0 and q not in named]
    for q in left:  # whose faces no name takes: in place of who got a name, or behind all
        if emptied:
            at = emptied.pop()
            r[:, at] = free[:, q]
            told[:, at], family[at] = np.where(h.bound >= 0, h.others, h.told[:, q]), h.family[q]
        else:
            r = np.column_stack([r, free[:, q]])
            told = np.column_stack([told, np.where(h.bound >= 0, h.others, h.told[:, q])])
            family = np.append(family, h.family[q])
    keep = [k for k in range(r.shape[1]) if k not in emptied]
    return replace(h, r=r[:, keep], told=told[:, keep], family=family[keep])
