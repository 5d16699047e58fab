"""Inside one light: what each person looks like there, and what each moment adds.

Problem. In the coordinate of its light (all frames of a light rendered at one white), per axis of chroma,

    z_mc = T_c + u_m + s_mc + e_mc

m a moment, c a cell (one person in one light), T_c what the person looks like in this light, u_m ~ t(0, frame^2) what
all faces of the moment share (the light itself moves), s_mc ~ t(0, state^2) the person's own state, e_mc the
measurement error, known. u is eliminated; what is left is a small symmetric system per light,

    A = diag(sum_m W_mc) - sum_m W_m W_m' / h_m,      W = r / (state^2 + e^2),  h_m = sum_c W_mc + 1 / frame^2,

solved for all lights at once. The heavy tails are variances divided by weights (iteratively reweighted least squares):
a lone far moment is taken for another light (u), a lone far face beside others for its own lamp or a wrong name (s).
When it fails: one face a moment everywhere cannot tell u from s; then the starting variances decide the shares.

Layout: cells have slots 0..K-1 in their light; arrays (M, K, 2) hold moments by slots by axes, zero weight where empty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.settings import VarianceSettings
from xmpsync.solve.tables import BoolArray, IntArray, summed

INNER = 1
"""Reweighting steps in one call; the next pass goes on from there."""

FAR = 2.0
"""Standard deviations beyond which a moment's common residual is laid to its light rather than to state."""


@dataclass(frozen=True, slots=True, eq=False)
class TableCells:
    """Which cells there are: `person` (G, K) or -1, `slot` (G, P) or -1. Entries: (face, person) pairs of weight r."""

    person: IntArray
    slot: IntArray
    face: IntArray
    moment: IntArray
    place: IntArray
    r: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Components:
    """Standard deviations in z: `state` of a face, `frame` (G,) of a moment in each light, and `person_lights` (2,) by
    axis: temperature and tan move skin along the second, tint and blush along the first. `person_light` is both
    together (root mean square)."""

    state: float
    frame: FloatArray
    person_lights: FloatArray

    @property
    def person_light(self) -> float:
        return float(np.sqrt((self.person_lights**2).mean()))


@dataclass(frozen=True, slots=True, eq=False)
class Within:
    """`a` (G, K, K, 2), `b` (G, K, 2): normal equations of T. `y` (M, K, 2), `w` observations and their weights.

    `r` (M, K): how much of a person a moment shows. `h` (M, 2): precision of u given T. `frame_weight`, `face_weight`:
    the tails' weights (1 = ordinary). `trend` (G, 2): z per minute, zero unless the light's own data carry it.
    """

    a: FloatArray
    b: FloatArray
    y: FloatArray
    w: FloatArray
    r: FloatArray
    variance: FloatArray
    h: FloatArray
    frame_weight: FloatArray
    face_weight: FloatArray
    trend: FloatArray
    minutes: FloatArray
    light: IntArray

    def shared(self, t: FloatArray) -> FloatArray:
        """u (M, 2) beyond the trend, given T (G, K, 2)."""
        return np.asarray((self.w * (self.y - t[self.light])).sum(axis=1) / self.h)

    def drift(self) -> FloatArray:
        """(M, 2): the trend at each moment."""
        return self.trend[self.light] * self.minutes[:, None]


def cells(
    r: FloatArray, face_light: IntArray, face_moment: IntArray, n_lights: int, least: float, before: TableCells | None
) -> TableCells:
    """Cells of responsibilities r (N, P + 1); pairs below `least` are left out, the others count from there on.

    The cells of `before` stay, empty or not, so that a loop that nears its end does not jump.
    """
    face, person = np.nonzero(r[:, :-1] > least)
    n_persons = r.shape[1] - 1
    shown = np.zeros((n_lights, n_persons), dtype=bool)
    if before is not None:
        shown |= before.slot >= 0
    shown[face_light[face], person] = True
    slot = np.where(shown, np.cumsum(shown, axis=1) - 1, -1)
    width = max(int(shown.sum(axis=1).max(initial=0)), 1)
    table = np.full((n_lights, width), -1, dtype=np.intp)
    g, p = np.nonzero(shown)
    table[g, slot[g, p]] = p
    return TableCells(
        table, slot, face, face_moment[face], slot[face_light[face], person], (r[face, person] - least) / (1.0 - least)
    )


def within(
    cell: TableCells,
    z: FloatArray,
    variance: FloatArray,
    light: IntArray,
    minutes: FloatArray,
    components: Components,
    before: Within | None,
    s: VarianceSettings,
) -> Within:
    """The normal equations of every light.

    Parameters
    ----------
    z, variance
        Chroma (N, 2) of the faces at their lights' whites, and measurement variances (N, 2).
    light, minutes
        Of the moments (M,): light number, and time within its light around the light's middle.
    before
        The last answer: its trend and tail weights are gone on from.
    """
    n_moments, width = len(light), cell.person.shape[1]
    flat = cell.moment * width + cell.place
    precision = cell.r[:, None] / variance[cell.face]
    total = _sums(flat, precision, n_moments * width).reshape(n_moments, width, 2)
    y = _sums(flat, precision * z[cell.face], n_moments * width).reshape(n_moments, width, 2)
    share = np.zeros(n_moments * width)
    np.maximum.at(share, flat, cell.r)
    share = share.reshape(n_moments, width)
    seen = total > 0
    y = np.where(seen, y / np.where(seen, total, 1.0), 0.0)
    own = np.where(seen, share[..., None] / np.where(seen, total, 1.0), 0.0)
    same = before is not None and before.face_weight.shape == share.shape
    face_weight = before.face_weight if before is not None and same else np.ones((n_moments, width))
    frame_weight = before.frame_weight if before is not None and same else np.ones(n_moments)
    trend = (
        before.trend
        if before is not None and len(before.trend) == len(cell.person)
        else np.zeros((len(cell.person), 2))
    )
    for _ in range(INNER):
        out = _equations(y, own, share, light, minutes, trend, components, face_weight, frame_weight)
        t = settled(out)
        u = out.shared(t)
        face_weight, frame_weight = _tails(out, t, u, components, s)
    return _equations(y, own, share, light, minutes, trend, components, face_weight, frame_weight)


def settled(x: Within, more: FloatArray | None = None, rhs: FloatArray | None = None) -> FloatArray:
    """T (G, K, 2) from the equations, with further precision (G, K, 2) and right-hand side where given."""
    out = np.zeros_like(x.b)
    eye = np.eye(x.b.shape[1])
    for k in (0, 1):
        a, b = x.a[..., k], x.b[..., k]
        if more is not None and rhs is not None:
            a = a + more[..., k][:, :, None] * eye
            b = b + rhs[..., k]
        empty = np.einsum("gii->gi", a) <= 0
        a = a + empty[:, :, None] * eye + 1e-9 * eye
        out[..., k] = np.linalg.solve(a, b[..., None])[..., 0]
    return out


def settled_variance(x: Within, more: FloatArray) -> FloatArray:
    """Variances (G, K, 2) of `settled` with further precision (G, K, 2)."""
    eye = np.eye(x.b.shape[1])
    a = np.moveaxis(x.a, -1, 0)
    own = np.moveaxis(more, -1, 0) + 1e-9
    own = np.where(np.einsum("agii->agi", a) <= 0, np.maximum(own, 1.0), own)
    return np.moveaxis(np.einsum("agii->agi", np.linalg.inv(a + own[..., None] * eye)), 0, -1)


def _equations(
    y: FloatArray, own: FloatArray, share: FloatArray, light: IntArray, minutes: FloatArray, trend: FloatArray,
    components: Components, face_weight: FloatArray, frame_weight: FloatArray,
) -> Within:  # fmt: skip
    seen = share > 0
    state = components.state**2 / np.maximum(face_weight, 1e-9)
    w = np.where(seen[..., None], share[..., None] / (own + np.where(seen, state, 1.0)[..., None]), 0.0)
    frame = components.frame[light] ** 2 / np.maximum(frame_weight, 1e-9)
    h = w.sum(axis=1) + 1.0 / frame[:, None]
    shifted = np.where(seen[..., None], y - (trend[light] * minutes[:, None])[:, None, :], 0.0)
    n_lights = len(components.frame)
    a = np.zeros((n_lights, share.shape[1], share.shape[1], 2))
    b = np.zeros((n_lights, share.shape[1], 2))
    eye = np.eye(share.shape[1])
    for k in (0, 1):
        wk, yk, hk = w[..., k], shifted[..., k], h[:, k]
        outer = wk[:, :, None] * wk[:, None, :] / hk[:, None, None]
        a[..., k] = summed(light, wk, n_lights)[:, :, None] * eye - summed(light, outer, n_lights)
        mean = (wk * yk).sum(axis=1) / hk
        b[..., k] = summed(light, wk * (yk - mean[:, None]), n_lights)
    return Within(a, b, shifted, w, share, own, h, frame_weight, face_weight, trend, minutes, light)


def _tails(
    x: Within, t: FloatArray, u: FloatArray, c: Components, s: VarianceSettings
) -> tuple[FloatArray, FloatArray]:
    """Weights of Student's t for faces (M, K) and moments (M,), both axes together."""
    rest = x.y - t[x.light] - u[:, None, :]
    q = (rest**2 / (x.variance + c.state**2 + 1e-12)).sum(axis=-1)
    face = np.where(x.r > 0, (s.tail + 2.0) / (s.tail + q), 1.0)
    # What a moment is off as a whole, beyond what state and measurement do: a lone far moment is another light.
    total = x.w.sum(axis=1)
    shown = total > 0
    safe = np.where(shown, total, 1.0)
    mean = (x.w * (x.y - t[x.light])).sum(axis=1) / safe
    excess = np.maximum((mean**2).sum(axis=-1) - FAR**2 * (1.0 / safe).sum(axis=-1), 0.0)
    d = np.maximum(np.where(shown.all(axis=-1), excess, 0.0), (u**2).sum(axis=-1)) / c.frame[x.light] ** 2
    return face, (s.frame_tail + 2.0) / (s.frame_tail + d)


def components_from(
    x: Within, t: FloatArray, t_variance: FloatArray, c: Components, s: VarianceSettings
) -> tuple[float, FloatArray]:
    """State sd and frame sd (G,), one step of expectation and maximisation with the starting values as prior."""
    u = x.shared(t)
    var_u = 1.0 / x.h
    seen = x.r > 0
    rest = x.y - t[x.light] - u[:, None, :]
    state = c.state**2 / np.maximum(x.face_weight, 1e-9)[..., None]
    k = state / (state + x.variance)
    second = (k * rest) ** 2 + k * x.variance + k**2 * (var_u[:, None, :] + t_variance[x.light])
    weight = x.r * x.face_weight * seen
    total = s.weight * s.state_z**2 + (weight[..., None] * second).sum() / 2.0
    new_state = np.sqrt(total / (s.weight + x.r[seen].sum()))

    shown = seen.any(axis=1)
    moment = ((u**2 + var_u).sum(axis=-1) / 2.0) * x.frame_weight * shown
    count = np.bincount(x.light[shown], minlength=len(c.frame)).astype(float)
    sums = np.bincount(x.light, weights=moment, minlength=len(c.frame))
    shoot = (s.weight * s.frame_z**2 + sums.sum()) / (s.weight + count.sum())
    frame = (s.weight * shoot + sums) / (s.weight + count)
    return max(float(new_state), s.smallest_z), np.maximum(np.sqrt(frame), s.smallest_z)


def with_trends(x: Within, evidence: float) -> Within:
    """The same with z per minute (G, 2): a straight line through the moments of a light that carry it, else zero.

    A slope is kept where it explains more than `evidence` squared standard errors (both axes together), the price of
    its parameters; residuals of the moments themselves are the yardstick.
    """
    t = settled(x)
    seen = (x.r > 0).any(axis=1)
    total = x.w.sum(axis=1)
    rest = np.where(total > 0, (x.w * (x.y - t[x.light])).sum(axis=1) / np.where(total > 0, total, 1.0), 0.0)
    rest = rest + x.drift()
    weight = np.where(seen, x.frame_weight, 0.0)
    n = len(x.trend)
    count = np.bincount(x.light[seen], minlength=n)
    sw = np.maximum(np.bincount(x.light, weights=weight, minlength=n), 1e-9)
    tm = np.bincount(x.light, weights=weight * x.minutes, minlength=n) / sw
    dt = x.minutes - tm[x.light]
    stt = np.bincount(x.light, weights=weight * dt**2, minlength=n)
    out = np.zeros((n, 2))
    gain = np.zeros(n)
    for k in (0, 1):
        ym = np.bincount(x.light, weights=weight * rest[:, k], minlength=n) / sw
        dy = rest[:, k] - ym[x.light]
        sty = np.bincount(x.light, weights=weight * dt * dy, minlength=n)
        syy = np.bincount(x.light, weights=weight * dy**2, minlength=n)
        slope = np.where(stt > 0, sty / np.where(stt > 0, stt, 1.0), 0.0)
        left = np.maximum(syy - slope * sty, 0.0) / np.maximum(count - 2, 1)
        gain += np.where(left > 0, slope**2 * stt / np.where(left > 0, left, 1.0), 0.0)
        out[:, k] = slope
    keep: BoolArray = (count >= 6) & (gain > evidence + 2.0 * np.log(np.maximum(count, 1)))
    return replace(x, trend=np.where(keep[:, None], out, 0.0))


def _sums(index: IntArray, values: FloatArray, n: int) -> FloatArray:
    return np.stack([np.bincount(index, weights=values[:, k], minlength=n) for k in (0, 1)], axis=-1)
