"""The bench's whole chain: the finder's own places reach the estimator, and a miss is counted as one."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.skin.broken import whole
from benchmarks.skin.cameras import cameras
from benchmarks.skin.chain import Chain
from benchmarks.skin.lights import lights
from benchmarks.skin.portraits import portraits
from benchmarks.skin.render import Rendered, Shot, render
from benchmarks.skin.report import recall_figures
from benchmarks.skin.spectra import model_spectra
from benchmarks.skin.trials import BenchSettings, Located, places_of, run_person
from xmpsync.records import Vec3
from xmpsync.skin.records import FaceSkin

CAMERA = cameras(None)[0]
SKIN = model_spectra(1, np.random.default_rng(0))[2]


@pytest.fixture(scope="module")
def chain() -> Chain:
    return Chain(1.46)


@pytest.mark.parametrize("roll_deg", [0.0, 90.0])
def test_the_face_is_found_in_a_frame_and_measured(chain: Chain, roll_deg: float) -> None:
    shot = Shot(lights()["D55"], 200.0, 0.0, 120.0, roll_deg=roll_deg)
    rng = np.random.default_rng(2)
    frame = render(portraits()[0], SKIN.reflectance, CAMERA, shot, rng)
    at = chain(frame, shot, CAMERA, frame.neutral, rng)
    assert at.places is not None and at.false_faces == 0
    skin = whole(at.cells, at.places, frame.neutral)
    assert isinstance(skin, FaceSkin)
    np.testing.assert_allclose(np.log(np.asarray(skin.camera) / frame.truth), 0.0, atol=0.15)


def test_a_missed_face_is_counted() -> None:
    seen = 0

    def blind(frame: Rendered, shot: Shot, camera: object, neutral: Vec3, rng: np.random.Generator) -> Located:
        nonlocal seen
        seen += 1
        return Located(frame.cells, places_of(frame.mesh) if seen == 1 else None)

    settings = BenchSettings(frames_per_person=2, mixed_part=0.0, cells_per_px=1.46)
    rows = list(run_person(portraits()[0], SKIN, CAMERA, settings, whole, np.random.default_rng(1), blind))
    assert [r.unusable for r in rows] == ["not found"] * 2
    assert not all(figure.met for figure in recall_figures(rows))
