"""Print the table of the editor's scale: python -m benchmarks.scale [--sensitivities FILE.npz] [--json FILE]."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.scale import consumer, prior, shoots, world
from xmpsync.colour.camera import neutral_from_white, white_from_neutral
from xmpsync.colour.camera_profile import CameraProfile, ProfileSource
from xmpsync.colour.dng import profile_from_matrix
from xmpsync.colour.expected import MANY_CAMERAS, Expectation, expected_profile, mat3
from xmpsync.colour.scale import Scale, fit_scale

THREE = ("daylight", "tungsten", "fluorescent")
ROUNDED = "33 pairs over 3 kinds, rounded to 50 K but 3 strays"
DECODER = "the decoder's own table"
SINGLE = "a DNG with one matrix"
ONE = ("daylight", "tungsten", "led", "shade")
OTHER_BASES = (
    ("30 pairs over 3 kinds", THREE, 30, 1.0),
    ("30 pairs over 3 kinds, rounded to 50 K", THREE, 30, 50.0),
    ("10 pairs of daylight", ("daylight",), 10, 1.0),
    ("3 pairs over 3 kinds", THREE, 3, 1.0),
)
FEWEST_CAMERAS = 10
"""Below this the average over the other cameras says nothing: the shipped table is used, which knows the camera."""


class Collected:
    """Errors of many shoots under one heading."""

    def __init__(self) -> None:
        self._errors: list[shoots.Errors] = []

    def add(self, errors: shoots.Errors) -> None:
        self._errors.append(errors)

    def row(self) -> dict[str, Any]:
        delta = np.concatenate([e.delta_e00 for e in self._errors])
        level = np.concatenate([e.level_ev for e in self._errors])
        kind = np.concatenate([e.kind for e in self._errors])
        # Every kind of light counts the same, however many spectra it has.
        weight = _kind_weights(kind)
        failed = np.isnan(delta)
        delta, level, kind, weight = delta[~failed], level[~failed], kind[~failed], weight[~failed]
        return {
            "shoots": len(self._errors),
            "median": _quantile(delta, weight, 0.5),
            "p95": _quantile(delta, weight, 0.95),
            "level_ev_median": _quantile(level, weight, 0.5),
            "unsolved": float(failed.mean()),
            "by_light": {
                str(k): (float(np.median(delta[kind == k])), float(np.quantile(delta[kind == k], 0.95)))
                for k in dict.fromkeys(kind)
            },
        }

    def median_of(self, i: int) -> float:
        e = self._errors[i]
        return _quantile(e.delta_e00, _kind_weights(e.kind), 0.5)


def _kind_weights(kind: np.ndarray) -> np.ndarray:
    _, inverse, counts = np.unique(kind, return_inverse=True, return_counts=True)
    return np.asarray(1.0 / counts[inverse])


def _quantile(values: np.ndarray, weights: np.ndarray, q: float) -> float:
    good = np.isfinite(values)
    values, weights = values[good], weights[good]
    order = np.argsort(values)
    share = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][np.searchsorted(share, q)])


def _expectations(cameras: dict[str, np.ndarray], file: Path | None) -> dict[str, Expectation]:
    """For every camera the averages over the OTHER cameras."""
    if len(cameras) < FEWEST_CAMERAS:
        return dict.fromkeys(cameras, MANY_CAMERAS)
    found = prior.collect(file)
    out = {}
    for name in cameras:
        others = [v for (camera, _), v in found.items() if camera != name]
        r, warm, cool = (np.array([o[i] for o in others]) for i in range(3))
        covariance = np.cov(r.reshape(len(r), 9).T) * 1e6
        out[name] = Expectation(mat3(r.mean(axis=0)), tuple(map(tuple, covariance.tolist())), mat3(warm.mean(axis=0)),
                                mat3(cool.mean(axis=0)))  # fmt: skip
    return out


def _round_trip(profiles: list[CameraProfile]) -> dict[str, float]:
    """Largest loss of neutral -> numbers -> neutral over usual whites, in mired, tint and neutral."""
    kelvin, tint = np.meshgrid(1e6 / np.linspace(20.0, 500.0, 60), np.linspace(-150.0, 150.0, 31))
    worst = np.zeros(3)
    whites = 0
    for profile in profiles:
        n = neutral_from_white(profile, kelvin, tint)
        real = (n > 0).all(axis=-1)
        k2, t2 = white_from_neutral(profile, n[real])
        n2 = neutral_from_white(profile, k2, t2)
        # A profile whose warm and cool matrices cross can give two whites one neutral: the neutral then agrees still.
        same = np.abs(n2 - n[real]).max(axis=-1) < 1e-9
        unique = np.hypot(1e6 / k2 - 1e6 / kelvin[real], t2 - tint[real]) < 1.0
        whites += int(real.sum())
        worst = np.maximum(worst, [np.abs(1e6 / k2 - 1e6 / kelvin[real])[unique].max(),
                                   np.abs(t2 - tint[real])[unique].max(), np.abs(n2 - n[real]).max()])  # fmt: skip
        if not same.all():
            sys.stderr.write(f"{profile.name}: {int((~same).sum())} neutrals do not come back\n")
    return {"profiles": len(profiles), "whites": whites, "mired": float(worst[0]), "tint": float(worst[1]),
            "neutral": float(worst[2])}  # fmt: skip


def run(file: Path | None, seed: int, every: int = 1) -> dict[str, Any]:
    """All figures, as printed; of every Nth camera (`every`). The averages are those of all the others."""
    cameras = world.cameras(file)
    expectations = _expectations(cameras, file)
    cameras = dict(list(cameras.items())[::every])
    rng = np.random.default_rng(seed)
    rows: dict[str, Collected] = {}
    editors: dict[tuple[str, str], tuple[CameraProfile, CameraProfile, np.ndarray]] = {}
    outcome: dict[str, list[str]] = {}
    way_rows: dict[str, Collected] = {}

    def measure(heading: str, editor: CameraProfile, ours: CameraProfile, s: np.ndarray) -> None:
        rows.setdefault(heading, Collected()).add(shoots.errors(editor, ours, s, np.random.default_rng(seed)))

    def learned(heading: str, scale: Scale, editor: CameraProfile, s: np.ndarray) -> None:
        outcome.setdefault(heading, []).append(str(scale.extent))
        measure(heading, editor, scale.profile, s)

    for way in (*consumer.WAYS, consumer.HELD_OUT_WAY):
        for name, s in cameras.items():
            editor = consumer.profile(s, way)
            table = profile_from_matrix(editor.calibrations[-1].camera_from_xyz, name)
            e = expectations[name]
            measure("no pairs: table matrix read literally", editor, table, s)
            measure("no pairs: completed by averages", editor, expected_profile(table, e), s)
            scale = fit_scale(shoots.pairs(editor, s, THREE, 30, rng), table, expectation=e)
            learned("30 pairs over 3 kinds", scale, editor, s)
            way_rows.setdefault(way, Collected()).add(
                shoots.errors(editor, scale.profile, s, np.random.default_rng(seed))
            )
            editors[name, way] = editor, scale.profile, s
            # 32 of 35 real numbers were multiples of 50 K: every eleventh one here is not
            rounded = shoots.pairs(editor, s, THREE, 33, rng, step_k=50.0, stray_every=11)
            learned(ROUNDED, fit_scale(rounded, table, expectation=e), editor, s)
            for kind in ONE:
                ten = shoots.pairs(editor, s, (kind,), 10, rng)
                learned(f"10 pairs of {kind}", fit_scale(ten, table, expectation=e), editor, s)
            # The table may hold another fit than the editor's.
            other = consumer.profile(s, consumer.WAYS[way == consumer.WAYS[0]])
            foreign = profile_from_matrix(other.calibrations[-1].camera_from_xyz, name)
            scale = fit_scale(shoots.pairs(editor, s, THREE, 30, rng), foreign, expectation=e)
            learned("30 pairs over 3 kinds, table of another maker", scale, editor, s)
            bases = {SINGLE: replace(table, source=ProfileSource.DNG_TAGS)}
            if (matrix := world.decoder_matrix(name)) is not None:
                bases[DECODER] = profile_from_matrix(mat3(matrix), name)
            for base_name, base in bases.items():
                measure(f"no pairs: {base_name}", editor, expected_profile(base, e), s)
                for heading, kinds, count, step_k in OTHER_BASES:
                    some = shoots.pairs(editor, s, kinds, count, rng, step_k=step_k)
                    learned(f"{heading}: {base_name}", fit_scale(some, base, expectation=e), editor, s)
    two = Collected()
    keys = list(editors)
    for i in rng.permutation(len(keys)):
        name, way = keys[i]
        other_name = str(rng.choice([n for n, w in keys if w == way and n != name]))
        editor, ours, s = editors[name, way]
        two.add(shoots.errors(editor, ours, s, np.random.default_rng(seed), editors[other_name, way]))
    without = ("no pairs: table matrix read literally", "no pairs: completed by averages")
    worse = {
        f"10 pairs of {kind}": {
            base: float(np.mean([rows[f"10 pairs of {kind}"].median_of(i) > rows[base].median_of(i) + 0.1
                                 for i in range(len(keys))])) for base in without}
        for kind in ONE
    }  # fmt: skip
    profiles = [p for editor, ours, _ in editors.values() for p in (editor, ours)]
    return {
        "schema": 1,
        "cameras": len(cameras),
        "skin": world.skin()[0],
        "rows": {heading: c.row() for heading, c in rows.items()},
        "rows_30_pairs_by_way": {way: c.row() for way, c in way_rows.items()},
        "two_bodies": two.row(),
        "share_worse_by_0.1": worse,
        "outcomes": {k: {o: v.count(o) for o in sorted(set(v))} for k, v in outcome.items()},
        "round_trip": _round_trip(profiles),
    }


def _print(figures: dict[str, Any]) -> None:
    out = sys.stdout.write
    out(f"{figures['cameras']} cameras, {figures['skin']}; dE00 at equal luminance as the editor renders\n\n")
    out(f"{'our side knows':58} {'median':>7} {'p95':>6} {'EV':>6}   by light (median / p95)\n")
    headed = {**figures["rows"], "two bodies, 30 pairs over 3 kinds each": figures["two_bodies"]}
    headed |= {
        f"30 pairs over 3 kinds, profile made the way '{w}'": r for w, r in figures["rows_30_pairs_by_way"].items()
    }
    for heading, r in headed.items():
        lights = "  ".join(f"{k} {a:.2f}/{b:.2f}" for k, (a, b) in r["by_light"].items())
        out(f"{heading:58} {r['median']:7.2f} {r['p95']:6.2f} {r['level_ev_median']:6.3f}   {lights}\n")
    out("\nshare of shoots that 10 pairs of one kind make worse by over 0.1 dE00\n")
    for kind, shares in figures["share_worse_by_0.1"].items():
        out(f"  {kind:24} " + ", ".join(f"against {b}: {100 * s:.1f} %" for b, s in shares.items()) + "\n")
    out(f"\noutcomes: {figures['outcomes']}\nround trip: {figures['round_trip']}\n")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.scale", description=__doc__)
    parser.add_argument(
        "--sensitivities", type=Path, help="more cameras: .npz with name, wavelength_nm, sensitivity_rgb"
    )
    parser.add_argument("--json", type=Path, help="write the figures there as well")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=int, default=1, metavar="N", help="only every Nth camera")
    arguments = parser.parse_args()
    figures = run(arguments.sensitivities, arguments.seed, arguments.every)
    _print(figures)
    if arguments.json:
        arguments.json.write_text(json.dumps(figures, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
