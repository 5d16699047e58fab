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

Layout: cells have places 0..K-1 in their light. Most moments show one or two persons, so what is known of them is a
list of entries, sorted by moment. Moments are sorted by light, so that sums over a light are sums over neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.settings import VarianceSettings
from xmpsync.solve.tables import BoolArray, IntArray, totals

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
    """`a` (2, G, K, K), `b` (2, G, K): normal equations of T by axis. E entries, one for each person whom a moment
    shows: `moment`, `place` (E,) rising; `y`, `w`, `variance` (2, E): observations, their weights and variances of
    measuring, `r` (E,): how much of the person the moment shows.

    `h` (2, M): precision of u given T. `frame_weight` (M,), `face_weight` (M, K): the tails' weights (1 = ordinary).
    `trend` (2, G): z per minute, zero unless the light's own data carry it. `light` (M,), rising; `first` (G,): the
    first moment of each light.
    """

    a: FloatArray
    b: FloatArray
    moment: IntArray
    place: IntArray
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
        """(2, E): what is observed beyond the trend, less T (G, K, 2)."""
        return np.asarray(self.y - self.of_cells(t))

    def of_cells(self, values: FloatArray) -> FloatArray:
        """Values (2, E) of the entries' cells (G, K, 2)."""
        flat = self.light[self.moment] * values.shape[1] + self.place
        return np.asarray(np.take(np.ascontiguousarray(values.reshape(-1, 2).T), flat, axis=1))

    def shared(self, t: FloatArray) -> FloatArray:
        """u (M, 2) beyond the trend, given T (G, K, 2)."""
        return np.asarray((self.by_moment(self.w * self.off(t)) / self.h).T)

    def drift(self) -> FloatArray:
        """(M, 2): the trend at each moment."""
        return np.asarray((self.trend[:, self.light] * self.minutes).T)

    def by_moment(self, values: FloatArray) -> FloatArray:
        """Sums (2, M) of values (2, E)."""
        return _sums(self.moment, values, len(self.light))

    def shown(self) -> BoolArray:
        """Moments (M,) that show anybody."""
        return np.asarray(np.bincount(self.moment, minlength=len(self.light)) > 0)

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
    spot = cell.moment * width + cell.place
    there = np.zeros(n_moments * width, dtype=bool)
    there[spot] = True
    moment, place = np.divmod(np.flatnonzero(there), width)
    entry = (np.cumsum(there) - 1)[spot]
    precision = cell.r / variance[cell.face].T
    total = _sums(entry, precision, len(moment))
    y = _sums(entry, precision * z[cell.face].T, len(moment)) / total
    share = np.zeros(len(moment))
    np.maximum.at(share, entry, cell.r)
    tails, frame_weight = np.ones((n_moments, width)), np.ones(n_moments)
    if before is not None and before.face_weight.shape == tails.shape:
        tails, frame_weight = before.face_weight, before.frame_weight
    trend = before.trend if before is not None and before.trend.shape[1] == n_lights else np.zeros((2, n_lights))
    if trend.any():
        y = y - (trend[:, light] * minutes)[:, moment]
    nothing = np.zeros(0)
    x = Within(
        nothing, nothing, moment, place, y, nothing, share, share / total, nothing, frame_weight, tails, trend, minutes,
        light, np.searchsorted(light, np.arange(n_lights)),
    )  # fmt: skip
    pairs = _pairs(moment)
    x = _equations(x, pairs, components)
    face_weight, frame_weight = _tails(x, settled(x), components, s)
    tails = np.ones((n_moments, width))
    tails[moment, place] = face_weight
    return _equations(replace(x, face_weight=tails, frame_weight=frame_weight), pairs, components)


def _pairs(moment: IntArray) -> tuple[IntArray, IntArray]:
    """Pairs of entries (E,), sorted by moment, that share one: the first, and the second behind it."""
    first, second = [np.zeros(0, dtype=np.intp)], [np.zeros(0, dtype=np.intp)]
    step = 1
    while len(same := np.flatnonzero(moment[step:] == moment[:-step])):
        first.append(same)
        second.append(same + step)
        step += 1
    return np.concatenate(first), np.concatenate(second)


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


def _equations(x: Within, pairs: tuple[IntArray, IntArray], components: Components) -> Within:
    """The normal equations with the tails' weights of x."""
    n_lights, width = len(x.first), x.face_weight.shape[1]
    w = x.r / (x.variance + components.state**2 / np.maximum(x.face_weight[x.moment, x.place], 1e-9))
    h = x.by_moment(w) + np.maximum(x.frame_weight, 1e-9) / components.frame[x.light] ** 2
    cell = x.light[x.moment] * width + x.place
    v = w / np.sqrt(h)[:, x.moment]
    first, second = pairs
    a = _sums(cell[first] * width + x.place[second], -v[:, first] * v[:, second], n_lights * width**2)
    a = a.reshape(2, n_lights, width, width)
    a += np.swapaxes(a, 2, 3)
    np.einsum("agii->agi", a)[...] += _sums(cell, w - v**2, n_lights * width).reshape(2, n_lights, width)
    wy = w * x.y
    b = _sums(cell, wy - w * (x.by_moment(wy) / h)[:, x.moment], n_lights * width).reshape(2, n_lights, width)
    return replace(x, a=a, b=b, w=w, h=h)


def _tails(x: Within, t: FloatArray, c: Components, s: VarianceSettings) -> tuple[FloatArray, FloatArray]:
    """Weights of Student's t for entries (E,) and moments (M,), both axes together."""
    off = x.off(t)
    sums = x.by_moment(x.w * off)
    u = sums / x.h
    q2 = (off - u[:, x.moment]) ** 2 / (x.variance + c.state**2 + 1e-12)
    face = (s.tail + 2.0) / (s.tail + q2[0] + q2[1])
    # What a moment is off as a whole, beyond what state and measurement do: a lone far moment is another light.
    total = x.by_moment(x.w)
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
    u = x.by_moment(x.w * off) / x.h
    var_u = 1.0 / x.h
    face_weight = x.face_weight[x.moment, x.place]
    state = c.state**2 / np.maximum(face_weight, 1e-9)
    k = state / (state + x.variance)
    rest = var_u[:, x.moment] + x.of_cells(t_variance)
    second = (k * (off - u[:, x.moment])) ** 2 + k * x.variance + k**2 * rest
    total = s.weight * s.state_z**2 + (x.r * face_weight * second).sum() / 2.0
    new_state = np.sqrt(total / (s.weight + x.r.sum()))

    shown = x.shown()
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
    total = x.by_moment(x.w)
    rest = x.by_moment(x.w * x.off(t)) / np.where(total > 0, total, 1.0) + x.drift().T
    seen = x.shown()
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


def _sums(index: IntArray, values: FloatArray, n: int) -> FloatArray:
    """Sums (2, n) of values (2, E) at places (E,)."""
    return np.stack([totals(index, v, n) for v in values])
