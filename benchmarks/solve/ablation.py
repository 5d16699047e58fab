"""What each part of the solver is worth: `python -m benchmarks.solve.ablation [--seeds N]`.

Parts are switched off one at a time; told nothing, medians over worlds. Nothing here is a test.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from unittest import mock

import numpy as np

from benchmarks.solve.request import request_of
from benchmarks.solve.score import figures, score
from benchmarks.solve.shoot import shoot_of
from benchmarks.solve.skins import bodies, skin_spectra
from benchmarks.solve.ways import Way
from benchmarks.solve.world import WORLDS
from xmpsync.solve import api
from xmpsync.solve.settings import DEFAULT, SolveSettings

SHOWN = (
    "usual", "state 1, person x light 0.5", "relit portraits", "six people", "siblings", "bursts of eight", "dusk",
    "flash that misfires", "many strangers", "names, 10 % wrong",
)  # fmt: skip
V = DEFAULT.variances
SWITCHED: dict[str, SolveSettings] = {
    "whole": DEFAULT,
    "no tails": replace(DEFAULT, variances=replace(V, tail=1e4, frame_tail=1e4)),
    "no person x light": replace(DEFAULT, variances=replace(V, person_light_z=0.03, weight=1e6)),
    "no moments": replace(DEFAULT, moments=replace(DEFAULT.moments, longest_gap_s=-1.0)),
    "lights found once": replace(DEFAULT, regroupings=0),
    "no relabelling": replace(DEFAULT, relabellings=0),
    "known from 0.5": replace(DEFAULT, known=0.5),
}


@contextmanager
def _without(name: str) -> Iterator[None]:
    if name == "no sharing among alike":
        with mock.patch.object(api, "alike_shared", lambda who, probability, apart, doubtful: probability):
            yield
    else:
        yield


def main() -> None:
    """Print one row for each part that is switched off."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.solve.ablation", description=__doc__)
    parser.add_argument("--seeds", type=int, default=1)
    options = parser.parse_args()
    cameras, skins = bodies(None), skin_spectra(False)
    shoots = [(w, s, shoot_of(WORLDS[w], s, cameras, skins)) for w in SHOWN for s in range(1, options.seeds + 1)]
    print(f"{'':26s}{'dE50':>6s}{'dE95':>6s}{'EV50':>7s}{'mrd50':>6s}{'lights':>7s}{'known%':>7s}{'wrong%':>7s}")
    for name in [*SWITCHED, "no sharing among alike"]:
        rows = []
        for _, seed, shoot in shoots:
            request = request_of(shoot, seed)
            with _without(name):
                solution = api.solve(request, SWITCHED.get(name, DEFAULT))
            written = [f.baseline if r.correction is None else r.correction
                       for f, r in zip(request.frames, solution.frames, strict=True)]  # fmt: skip
            theta = np.array([(1e6 / c.temperature_k, c.tint, c.exposure_ev) for c in written])
            rows.append(figures([score(shoot, Way(theta, solution, 0.0))]))

        def middle(key: str, rows: list[dict[str, float]] = rows) -> float:
            return float(np.nanmean([r[key] for r in rows]))

        print(
            f"{name:26s}{middle('skin_median_de00'):6.2f}{middle('skin_p95_de00'):6.2f}{middle('level_median_ev'):7.3f}"
            f"{middle('follow_median_mired'):6.1f}{middle('lights_found'):7.1f}{middle('known_percent'):7.1f}"
            f"{middle('known_wrong_percent'):7.2f}"
        )


if __name__ == "__main__":
    main()
