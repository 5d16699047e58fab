"""How good a way is, from the truth of the shoot alone: arrays of errors, and figures of them.

Skin and level: each person's true skin in a frame, rendered with the frame's correction, against what the person's
reference looks like. Left out are faces of reference frames, of guests, with clipped skin, and of frames with a second
light.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import numpy as np

from benchmarks.skin.spectra import Array
from benchmarks.solve.day import Flags, Ints
from benchmarks.solve.shoot import Shoot
from benchmarks.solve.ways import Way
from xmpsync.colour.camera import apply, xyz_from_camera
from xmpsync.colour.cielab import skin_difference
from xmpsync.solve.solution import Code, Solution

TOLERANCE_DE, TOLERANCE_EV = 2.0, 0.25
CLEARLY, CLEARLY_NOT = 1.25, 0.75
"""Of the tolerance, after the best single correction: from here on mixed light must be found; below here it must not.
What lies between counts as neither."""

Rows = dict[str, Array]


def score(shoot: Shoot, way: Way) -> Rows:
    """Errors of one way on one shoot; to be joined over shoots."""
    reference = shoot.is_reference
    apart = mixed_part(shoot)
    plain_frame = ~reference & (apart < CLEARLY_NOT) & ~_second_light(shoot)
    usable = ~shoot.faces.clipped & ~shoot.guest
    scored = usable & plain_frame[shoot.faces.frame]
    de, ev = skin_errors(shoot, way.theta)
    with_skin = np.bincount(shoot.faces.frame[usable], minlength=shoot.n_frames) > 0
    reachable = np.isin(shoot.day.told_light, shoot.day.told_light[with_skin | reference])
    off = way.theta - shoot.truth.ideal
    follows = ~with_skin & reachable & ~reference
    rows = {
        "de": de[scored],
        "ev": np.abs(ev[scored]),
        "light": shoot.day.told_light[shoot.faces.frame[scored]],
        "follow_mired": np.abs(off[follows, 0]),
        "follow_tint": np.abs(off[follows, 1]),
    }
    if way.solution is not None:
        rows |= _of_solution(shoot, way.solution, reference, apart, usable, off)
        rows["cpu_s"] = np.array([way.cpu_s])
    return rows


def figures(rows: Iterable[Rows]) -> dict[str, float]:
    """Figures of several shoots together; NaN where they hold no case. Shares are in per cent."""
    all_rows = list(rows)
    r = {name: np.concatenate([one[name] for one in all_rows]) for name in all_rows[0]}
    out = {
        "skin_median_de00": _quantile(r["de"], 50),
        "skin_p95_de00": _quantile(r["de"], 95),
        "level_median_ev": _quantile(r["ev"], 50),
        "level_p95_ev": _quantile(r["ev"], 95),
        "follow_median_mired": _quantile(r["follow_mired"], 50),
        "follow_p95_mired": _quantile(r["follow_mired"], 95),
        "follow_median_tint": _quantile(r["follow_tint"], 50),
    }
    if "known" in r:
        known = r["known"] > 0
        ratio = r["ratio"].reshape(-1, 3)
        out |= {
            "known_percent": _percent(known),
            "known_wrong_percent": _percent(r["wrong"][known]),
            "known_faces": float(known.sum()),
            "unknown_percent": _percent(~known[r["guest"] == 0]),
            "judged_percent": _percent(r["judged"]),
            "mixed_found_percent": _percent(r["mixed_found"]),
            "mixed_false_percent": _percent(r["mixed_false"]),
            "mixed_frames": float(len(r["mixed_found"])),
            "lights_found": float(r["lights_found"].mean()),
            "lights_true": float(r["lights_true"].mean()),
            "sd_mired": _spread(ratio[:, 0]),
            "sd_tint": _spread(ratio[:, 1]),
            "sd_ev": _spread(ratio[:, 2]),
            "rms_mired": _rms(ratio[:, 0]),
            "rms_tint": _rms(ratio[:, 1]),
            "rms_ev": _rms(ratio[:, 2]),
            "within_two_sd_percent": _percent(np.abs(ratio).ravel() < 2.0),
            "cpu_s": float(r["cpu_s"].mean()),
        }
    return out


def skin_errors(shoot: Shoot, theta: Array) -> tuple[Array, Array]:
    """CIEDE2000 at equal luminance and level in EV of every face's true skin (N,); NaN for guests."""
    de, ev = np.full(len(shoot.faces.person), np.nan), np.full(len(shoot.faces.person), np.nan)
    for b, camera in enumerate(shoot.bodies):
        rows = np.flatnonzero(~shoot.guest & (shoot.face_body == b))
        mired, tint, exposure = theta[shoot.faces.frame[rows]].T
        matrix = 2.0 ** exposure[:, None, None] * xyz_from_camera(camera.profile, 1e6 / mired, tint)
        xyz = apply(matrix, shoot.faces.skins.clean[rows])
        de[rows], ev[rows] = skin_difference(xyz, shoot.truth.targets[shoot.faces.person[rows]])
    return de, ev


def mixed_part(shoot: Shoot) -> Array:
    """(F,) what two faces, or two halves of one, still lack after the best single correction, in tolerances.

    From noise-free colours with skin state, without the portraits' own unevenness. The best single correction lies
    half way between the two; the levels of two halves are shading, which is no second light.
    """
    rendered = np.zeros((len(shoot.faces.person), 2, 3))
    for b, camera in enumerate(shoot.bodies):
        rows = np.flatnonzero(shoot.face_body == b)
        mired, tint, ev = shoot.truth.ideal[shoot.faces.frame[rows]].T
        matrix = 2.0 ** ev[:, None, None] * xyz_from_camera(camera.profile, 1e6 / mired, tint)
        rendered[rows] = apply(matrix[:, None], shoot.faces.skins.lit[rows])
    out = np.zeros(shoot.n_frames)
    people = ~shoot.guest
    halves, _ = skin_difference(rendered[:, 0], rendered[:, 1])
    np.maximum.at(out, shoot.faces.frame[people], halves[people] / 2 / TOLERANCE_DE)
    whole = rendered.mean(axis=1)
    target = shoot.truth.targets[np.minimum(shoot.faces.person, shoot.people.n - 1)]
    for step in (1, 2):
        pair = (shoot.faces.frame[:-step] == shoot.faces.frame[step:]) & people[:-step] & people[step:]
        one = np.flatnonzero(pair)
        other = one + step
        de, ev = skin_difference(target[other] * whole[one] / target[one], whole[other])
        np.maximum.at(out, shoot.faces.frame[one], np.maximum(de / 2 / TOLERANCE_DE, np.abs(ev) / 2 / TOLERANCE_EV))
    return out


def _second_light(shoot: Shoot) -> Flags:
    """(F,) some face stands in more than one light, however little it shows: no one correction is right there."""
    mixed = (shoot.day.place_second[shoot.faces.place] > 0).any(axis=1)
    out: Flags = np.bincount(shoot.faces.frame[mixed], minlength=shoot.n_frames) > 0
    return out


def _of_solution(shoot: Shoot, solution: Solution, reference: Flags, apart: Array, usable: Flags, off: Array) -> Rows:
    """What the solver says of itself, against the truth."""
    results = [(i, face) for i, frame in enumerate(solution.frames) for face in frame.faces]
    known, wrong = _who(shoot, [face.person for _, face in results])
    with_skin = ~shoot.faces.clipped & ~reference[shoot.faces.frame]
    countable = usable & ~reference[shoot.faces.frame] & (apart < CLEARLY)[shoot.faces.frame]
    judged = np.array([face.judged and face.delta_e00_after is not None for _, face in results], dtype=bool)
    flagged = np.array([any(f.code is Code.MIXED_LIGHT for f in r.findings) for r in solution.frames])
    sd = np.array([(r.sd_mired, r.sd_tint, r.sd_ev) for r in solution.frames])
    moved = np.array([r.correction is not None for r in solution.frames])
    # A correction is rounded: a third of a unit where the error is small is no fault of the deviation.
    good = moved & (sd > 0).all(axis=1) & (apart < CLEARLY_NOT) & ~_second_light(shoot)
    found, true = _lights(shoot, np.array([r.group for r in solution.frames]))
    return {
        "known": known[with_skin].astype(float),
        "wrong": wrong[with_skin].astype(float),
        "guest": shoot.guest[with_skin].astype(float),
        "judged": judged[countable].astype(float),
        "mixed_found": flagged[(apart >= CLEARLY) & ~reference].astype(float),
        "mixed_false": flagged[(apart < CLEARLY_NOT) & ~reference & ~_second_light(shoot)].astype(float),
        "lights_found": np.array([found]),
        "lights_true": np.array([true]),
        "ratio": (off[good] / sd[good]).ravel(),
    }


def _who(shoot: Shoot, labels: list[str | None]) -> tuple[Flags, Flags]:
    """Which faces (N,) are called known, and which of these are somebody else.

    A label is a person's name where the shoot has names; else it stands for whom most of its faces show.
    """
    names = {f"P{p}": p for p in range(shoot.people.n)}
    votes: dict[str, Counter[int]] = {}
    for label, person in zip(labels, shoot.faces.person, strict=True):
        if label is not None:
            votes.setdefault(label, Counter())[int(person)] += 1
    meant = {label: names.get(label, count.most_common(1)[0][0]) for label, count in votes.items()}
    known = np.array([label is not None for label in labels], dtype=bool)
    wrong = np.array(
        [label is not None and meant[label] != p for label, p in zip(labels, shoot.faces.person, strict=True)]
    )
    return known, known & wrong.astype(bool)


def _lights(shoot: Shoot, group: Ints) -> tuple[float, float]:
    """Light groups of every body, found and true; a lone flash frame that did not fire counts in neither."""
    fired = ~shoot.day.misfired[shoot.day.frame_composition]
    bodies = range(len(shoot.bodies))
    rows = [fired & (shoot.day.frame_body == b) for b in bodies]
    found = sum(len(np.unique(group[r])) for r in rows)
    return float(found), float(sum(len(np.unique(shoot.day.frame_visit[r])) for r in rows))


def _quantile(values: Array, percent: float) -> float:
    return float(np.percentile(values, percent)) if len(values) else float("nan")


def _percent(values: Array | Flags) -> float:
    return 100.0 * float(np.mean(values)) if len(values) else float("nan")


def _spread(values: Array) -> float:
    return float(1.4826 * np.median(np.abs(values))) if len(values) else float("nan")


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")
