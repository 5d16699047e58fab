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

Layout: cells have slots 0..K-1 in their light; arrays (2, K, M) hold axes by slots by moments, zero weight where empty.
Moments are sorted by light, so that sums over a light are sums over neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.settings import VarianceSettings
from xmpsync.solve.tables import BoolArray, IntArray

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
    """`a` (2, G, K, K), `b` (2, G, K): normal equations of T by axis. `y`, `w` (2, K, M): observations, their weights.

    `r` (K, M): how much of a person a moment shows. `h` (2, M): precision of u given T. `frame_weight` (M,),
    `face_weight` (K, M): the tails' weights (1 = ordinary). `trend` (2, G): z per minute, zero unless the light's own
    data carry it. `light` (M,), rising; `first` (G,): the first moment of each light.
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
    first: IntArray

    def off(self, t: FloatArray) -> FloatArray:
        """(2, K, M): what is observed beyond the trend, less T (G, K, 2)."""
        return np.asarray(self.y - np.take(np.ascontiguousarray(t.T), self.light, axis=-1))

    def shared(self, t: FloatArray) -> FloatArray:
        """u (M, 2) beyond the trend, given T (G, K, 2)."""
        return np.asarray(((self.w * self.off(t)).sum(axis=1) / self.h).T)

    def drift(self) -> FloatArray:
        """(M, 2): the trend at each moment."""
        return np.asarray((self.trend[:, self.light] * self.minutes).T)

    def summed(self, values: FloatArray) -> FloatArray:
        """Sums (..., G) of values (..., M) over the moments of each light."""
        return np.asarray(np.add.reduceat(values, self.first, axis=-1))


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
    n_moments, (n_lights, width) = len(light), cell.person.shape
    flat = cell.place * n_moments + cell.moment
    precision = cell.r / variance[cell.face].T
    total = _sums(flat, precision, (width, n_moments))
    y = _sums(flat, precision * z[cell.face].T, (width, n_moments))
    share = np.zeros(width * n_moments)
    np.maximum.at(share, flat, cell.r)
    share = share.reshape(width, n_moments)
    safe = np.where(total > 0, total, 1.0)
    y, own = y / safe, share / safe
    if before is not None and before.face_weight.shape == share.shape:
        face_weight, frame_weight = before.face_weight, before.frame_weight
    else:
        face_weight, frame_weight = np.ones(share.shape), np.ones(n_moments)
    trend = before.trend if before is not None and before.trend.shape[1] == n_lights else np.zeros((2, n_lights))
    first = np.searchsorted(light, np.arange(n_lights))
    for _ in range(INNER):
        out = _equations(y, own, share, light, first, minutes, trend, components, face_weight, frame_weight)
        face_weight, frame_weight = _tails(out, settled(out), components, s)
    return _equations(y, own, share, light, first, minutes, trend, components, face_weight, frame_weight)


def inverse(x: Within, more: FloatArray | None = None) -> FloatArray:
    """Covariances (2, G, K, K) of T, with further precision (G, K, 2) where given; a cell without any has 1."""
    own = np.full(x.b.shape, 1e-9) if more is None else more.transpose(2, 0, 1) + 1e-9
    own = np.where(np.einsum("agii->agi", x.a) <= 0, np.maximum(own, 1.0), own)
    return np.asarray(np.linalg.inv(x.a + own[..., None] * np.eye(x.b.shape[-1])))


def settled(x: Within, covariance: FloatArray | None = None, rhs: FloatArray | None = None) -> FloatArray:
    """T (G, K, 2) from the equations, with a further right-hand side (G, K, 2) where given.

    `covariance`: `inverse` with the precision that belongs to it.
    """
    b = x.b if rhs is None else x.b + rhs.transpose(2, 0, 1)
    covariance = inverse(x) if covariance is None else covariance
    return np.asarray((covariance @ b[..., None])[..., 0].transpose(1, 2, 0))


def diagonal(covariance: FloatArray) -> FloatArray:
    """Variances (G, K, 2) of covariances (2, G, K, K)."""
    return np.asarray(np.einsum("agii->gia", covariance))


def _equations(
    y: FloatArray, own: FloatArray, share: FloatArray, light: IntArray, first: IntArray, minutes: FloatArray,
    trend: FloatArray, components: Components, face_weight: FloatArray, frame_weight: FloatArray,
) -> Within:  # fmt: skip
    width, n_lights = len(share), len(first)
    w = share / (own + components.state**2 / np.maximum(face_weight, 1e-9))
    frame = components.frame[light] ** 2 / np.maximum(frame_weight, 1e-9)
    h = w.sum(axis=1) + 1.0 / frame
    shifted = y - (trend[:, light] * minutes)[:, None, :] if trend.any() else y
    a = np.empty((2, n_lights, width, width))
    v = w / np.sqrt(h)[:, None, :]
    for k in range(width):
        a[:, :, k, k:] = -np.add.reduceat(v[:, k, None] * v[:, k:], first, axis=-1).transpose(0, 2, 1)
        a[:, :, k:, k] = a[:, :, k, k:]
    diagonal = np.einsum("agii->agi", a)
    diagonal += np.add.reduceat(w, first, axis=-1).transpose(0, 2, 1)
    wy = w * shifted
    mean = wy.sum(axis=1) / h
    b = np.add.reduceat(wy - w * mean[:, None, :], first, axis=-1).transpose(0, 2, 1)
    return Within(a, b, shifted, w, share, own, h, frame_weight, face_weight, trend, minutes, light, first)


def _tails(x: Within, t: FloatArray, c: Components, s: VarianceSettings) -> tuple[FloatArray, FloatArray]:
    """Weights of Student's t for faces (K, M) and moments (M,), both axes together."""
    off = x.off(t)
    sums = (x.w * off).sum(axis=1)
    u = sums / x.h
    q2 = (off - u[:, None, :]) ** 2 / (x.variance + c.state**2 + 1e-12)
    face = np.where(x.r > 0, (s.tail + 2.0) / (s.tail + q2[0] + q2[1]), 1.0)
    # What a moment is off as a whole, beyond what state and measurement do: a lone far moment is another light.
    total = x.w.sum(axis=1)
    shown = (total > 0).all(axis=0)
    safe = np.where(shown, total, 1.0)
    mean2 = (sums / safe) ** 2
    excess = np.maximum(mean2[0] + mean2[1] - FAR**2 * (1.0 / safe[0] + 1.0 / safe[1]), 0.0)
    d = np.maximum(np.where(shown, excess, 0.0), u[0] ** 2 + u[1] ** 2) / c.frame[x.light] ** 2
    return face, (s.frame_tail + 2.0) / (s.frame_tail + d)


def components_from(
    x: Within, t: FloatArray, t_variance: FloatArray, c: Components, s: VarianceSettings
) -> tuple[float, FloatArray]:
    """State sd and frame sd (G,), one step of expectation and maximisation with the starting values as prior."""
    off = x.off(t)
    u = (x.w * off).sum(axis=1) / x.h
    var_u = 1.0 / x.h
    state = c.state**2 / np.maximum(x.face_weight, 1e-9)
    k = state / (state + x.variance)
    of_t = np.take(np.ascontiguousarray(t_variance.T), x.light, axis=-1)
    second = (k * (off - u[:, None, :])) ** 2 + k * x.variance + k**2 * (var_u[:, None, :] + of_t)
    weight = x.r * x.face_weight
    total = s.weight * s.state_z**2 + (weight * second).sum() / 2.0
    new_state = np.sqrt(total / (s.weight + x.r.sum()))

    shown = x.r.any(axis=0)
    sums = x.summed((u**2 + var_u).sum(axis=0) / 2.0 * x.frame_weight * shown)
    count = x.summed(shown.astype(float))
    shoot = (s.weight * s.frame_z**2 + sums.sum()) / (s.weight + count.sum())
    frame = (s.weight * shoot + sums) / (s.weight + count)
    return max(float(new_state), s.smallest_z), np.maximum(np.sqrt(frame), s.smallest_z)


def with_trends(x: Within, t: FloatArray, evidence: float) -> Within:
    """The same with z per minute (2, G): a straight line through the moments of a light that carry it, else zero.

    `t` (G, K, 2): what its persons look like. A slope is kept where it explains more than `evidence` squared standard
    errors (both axes together), the price of its parameters; residuals of the moments themselves are the yardstick.
    """
    total = x.w.sum(axis=1)
    rest = (x.w * x.off(t)).sum(axis=1) / np.where(total > 0, total, 1.0) + x.drift().T
    seen = x.r.any(axis=0)
    weight = np.where(seen, x.frame_weight, 0.0)
    count = x.summed(seen.astype(float))
    sw = np.maximum(x.summed(weight), 1e-9)
    dt = x.minutes - (x.summed(weight * x.minutes) / sw)[x.light]
    dy = rest - (x.summed(weight * rest) / sw)[:, x.light]
    stt = x.summed(weight * dt**2)
    sty, syy = x.summed(weight * dt * dy), x.summed(weight * dy**2)
    slope = np.where(stt > 0, sty / np.where(stt > 0, stt, 1.0), 0.0)
    left = np.maximum(syy - slope * sty, 0.0) / np.maximum(count - 2, 1)
    gain = np.where(left > 0, slope**2 * stt / np.where(left > 0, left, 1.0), 0.0).sum(axis=0)
    keep: BoolArray = (count >= 6) & (gain > evidence + 2.0 * np.log(np.maximum(count, 1)))
    return replace(x, trend=np.where(keep, slope, 0.0))


def _sums(index: IntArray, values: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """Sums (2, *shape) of values (2, E) at flat places (E,)."""
    return np.stack([np.bincount(index, weights=v, minlength=shape[0] * shape[1]).reshape(shape) for v in values])
