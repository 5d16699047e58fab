"""A gloss that differs over the face widens its covariance towards the light; another colour of the light does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from tests.skin.scenes import BODY, LIGHT
from xmpsync.skin.compare import HIDDEN, MOST_HIDDEN, REGIONS, hidden_gloss, mean_pattern, patterns
from xmpsync.skin.covariance import to_mat3
from xmpsync.skin.records import FaceSkin, RegionSkin

OWN = np.array([[0.0, 0.0, 0.0], [0.06, 0.0, -0.02], [0.05, 0.0, -0.03], [0.1, 0.0, 0.02], [-0.03, 0.0, -0.05]])
"""ln camera by which the five regions of one person differ from the body."""
TOWARD = LIGHT / BODY / (LIGHT / BODY).mean()
CHROMA = np.array([[1.0, -1.0, 0.0], [0.0, -1.0, 1.0]])


def _face(
    shares: tuple[float, ...] = (0.0,) * 5, change: tuple[float, float, float] = (0.0, 0.0, 0.0), sd: float = 0.003
) -> FaceSkin:
    """A face whose regions mirror `shares` of light, ln camera of all moved by `change`."""
    covariance = to_mat3(np.eye(3) * sd**2)
    colours = []
    for region, own, share in zip(REGIONS, OWN, shares, strict=False):
        body = BODY * np.exp(own + change)
        colour = body * (1.0 + share / (1.0 - share) * TOWARD)
        colours.append(RegionSkin(region, tuple(float(v) for v in colour), covariance, 400))  # type: ignore[arg-type]
    mean = np.exp(np.mean([np.log(c.camera) for c in colours], axis=0))
    return FaceSkin(tuple(float(v) for v in mean), covariance, 2000, tuple(colours))  # type: ignore[arg-type]


def _doubt(face: FaceSkin, matte: FaceSkin) -> npt.NDArray[np.float64]:
    return hidden_gloss(patterns((face,)), np.array([face.camera]), LIGHT[None], patterns((matte,)))[0]


def test_shares_that_differ_widen_the_covariance_along_the_light() -> None:
    shares = (0.35, 0.2, 0.2, 0.3, 0.02)
    doubt = _doubt(_face(shares), _face())
    along = CHROMA @ np.log(TOWARD)  # only its direction is used
    along = CHROMA @ TOWARD / np.hypot(*(CHROMA @ TOWARD))
    across = np.array([-along[1], along[0]])
    chroma = CHROMA @ doubt @ CHROMA.T
    moved = CHROMA @ (np.log(_face(shares).camera) - np.log(_face().camera))
    assert 0.5 < np.sqrt(along @ chroma @ along) / np.hypot(*moved) < 3.0
    assert across @ chroma @ across < 0.3 * along @ chroma @ along
    # level and colour are off together
    assert doubt[1, 1] > 0 and (CHROMA @ doubt[:, 1]) @ along > 0


def test_the_spread_of_shares_sets_the_size() -> None:
    even, wide = (0.10, 0.12, 0.08, 0.10, 0.11), (0.3, 0.1, 0.1, 0.2, 0.0)
    assert _doubt(_face(even), _face())[1, 1] == 0.0
    assert _doubt(_face(wide), _face())[1, 1] > 0.01
    assert _doubt(_face((0.8, 0.0, 0.0, 0.7, 0.0)), _face())[1, 1] < (2.0 * MOST_HIDDEN * TOWARD[1]) ** 2
    assert HIDDEN > 1


def test_another_white_or_level_is_no_gloss() -> None:
    assert not _doubt(_face(change=(0.4, 0.7, -0.3)), _face()).any()


def test_noise_and_unlike_regions_are_no_gloss() -> None:
    rng = np.random.default_rng(1)
    noisy = []
    for _ in range(200):
        face = _face(sd=0.05)
        parts = [
            RegionSkin(p.region, tuple(np.array(p.camera) * np.exp(0.05 * rng.normal(size=3))), p.log_covariance, 9)
            for p in face.regions
        ]
        noisy.append(_doubt(FaceSkin(face.camera, face.log_covariance, 45, tuple(parts)), _face()))
    chroma_noise = np.sqrt(2) * 0.05
    assert np.median([np.sqrt(d[1, 1]) for d in noisy]) < chroma_noise
    one = FaceSkin(BODY, to_mat3(np.eye(3)), 10, _face((0.3,) * 5).regions[:1])  # type: ignore[arg-type]
    assert not _doubt(one, _face()).any()
    assert not _doubt(FaceSkin(BODY, to_mat3(np.eye(3)), 10), _face()).any()  # type: ignore[arg-type]


def test_several_pictures_make_one_pattern() -> None:
    white = np.random.default_rng(2).normal(size=(8, 3)) * 0.3
    p = patterns(tuple(_face(change=tuple(w)) for w in white))  # type: ignore[arg-type]
    common = mean_pattern(p, np.arange(8))
    face = _face((0.3, 0.1, 0.1, 0.2, 0.0))
    doubt = hidden_gloss(patterns((face,)), np.array([face.camera]), LIGHT[None], common)[0]
    assert doubt == pytest.approx(_doubt(face, _face()), rel=0.1)


def test_pictures_that_show_different_regions_make_one_pattern_too() -> None:
    """Each has a white of its own and hides a region: what is left of each is taken against its own mean."""
    white = np.random.default_rng(3).normal(size=(5, 3)) * 0.3
    whole = [_face(change=tuple(w)) for w in white]  # type: ignore[arg-type]
    parts = [replace(f, regions=f.regions[:k] + f.regions[k + 1 :]) for k, f in enumerate(whole)]
    common = mean_pattern(patterns(tuple(parts)), np.arange(5))
    alone = mean_pattern(patterns((_face(),)), np.arange(1))
    assert common.shown.all()
    # a hidden region shifts a picture's mean by a fifth of its distance from the others, its white by nothing
    apart = (common.chroma - alone.chroma) - (common.chroma - alone.chroma).mean(axis=1, keepdims=True)
    assert np.abs(apart).max() < 0.04  # the regions differ by up to 0.12
    assert common.covariance == pytest.approx(alone.covariance / 4)
