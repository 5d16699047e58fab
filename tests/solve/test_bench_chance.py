"""A breach of the bench's rule is called real only where it is more than chance."""

from __future__ import annotations

import numpy as np

from benchmarks.solve.chance import REAL, broken_share
from benchmarks.solve.report import breaches

PLAIN, TOOL = "pooled closed form", "told nothing"


def _rows(rng, de, lights=9, each=8):
    light = np.repeat(np.arange(lights), each)
    errors = np.abs(rng.normal(de, 0.05, len(light))) + np.repeat(rng.exponential(0.4, lights), each)
    return {"de": errors, "ev": np.full(len(light), 0.05), "light": light}


def _faces(rng, tool, plain, seeds):
    return {"w": {TOOL: [_rows(rng, tool) for _ in range(seeds)], PLAIN: [_rows(rng, plain) for _ in range(seeds)]}}


def test_a_large_difference_in_many_lights_is_real_and_one_that_hangs_on_one_light_is_not():
    rng = np.random.default_rng(3)
    worse = _faces(rng, 2.0, 0.5, 4)["w"]
    assert broken_share(worse[TOOL], [worse[PLAIN]], "skin_median_de00", 0.1) >= REAL
    one = [_rows(rng, 0.5)]
    other = [{**one[0], "de": one[0]["de"] + np.where(one[0]["light"] == 4, 5.0, 0.0)}]
    assert np.percentile(other[0]["de"], 95) - np.percentile(one[0]["de"], 95) > 0.2
    assert broken_share(other, [one], "skin_p95_de00", 0.2) < REAL
    assert broken_share(one, [one], "skin_median_de00", 0.0) == 0.0


def test_the_table_of_breaches_says_which_are_real():
    rng = np.random.default_rng(4)
    faces = _faces(rng, 2.0, 0.5, 3)
    answer = {
        "w": {
            way: {
                "skin_median_de00": float(np.median(np.concatenate([r["de"] for r in rows]))),
                "skin_p95_de00": 1.0,
                "level_median_ev": 0.05,
            }
            for way, rows in faces["w"].items()
        }
    }
    found = breaches(answer, faces)
    assert [b.real for b in found] == [True]
    assert "real" in str(found[0])
