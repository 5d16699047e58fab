"""The bench of faces tells the truth about where faces are, and shows it when the detector gets worse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.faces import dress, hard, heads
from benchmarks.faces.light import LIGHTS, TONES, camera_from_linear, ita_deg, tone_matrix
from benchmarks.faces.portraits import portraits
from benchmarks.faces.scenes import Frame, Pose, Shot, cheek_colour, frame
from benchmarks.faces.score import outcomes
from xmpsync.faces.finder import FaceFinder
from xmpsync.faces.records import FoundFace, Origin
from xmpsync.records import Box

PEOPLE = portraits()
# Class bounds of the individual typology angle in degrees (Chardon et al. 1991; Del Bino & Bernerd 2013).
BOUNDS = {
    "very light": (55, 90),
    "light": (41, 55),
    "intermediate": (28, 41),
    "tan": (10, 28),
    "brown": (-30, 10),
    "dark": (-90, -30),
}


@pytest.mark.parametrize("tone", TONES)
@pytest.mark.parametrize("person", PEOPLE, ids=lambda p: p.name)
def test_each_tone_lands_in_its_class(tone: str, person: object) -> None:
    skin = cheek_colour(person)  # type: ignore[arg-type]
    shade = tone_matrix(tuple(float(v) for v in skin), tone) @ skin
    low, high = BOUNDS[tone]
    assert low < ita_deg(np.clip(shade, 1e-4, 1.0)) < high


def test_lights_differ_as_lights_do() -> None:
    white = {light: camera_from_linear(light) @ np.ones(3) for light in LIGHTS}
    assert all(w.max() == pytest.approx(1.0) for w in white.values())
    red_blue = {light: w[0] / w[2] for light, w in white.items()}
    # tungsten is redder than daylight, shade bluer (CIE A 2856 K, D50, D75)
    assert red_blue["A"] > 1.8 * red_blue["D50"] > 1.8 * red_blue["D75"]


def _made(turn: int = 0) -> Frame:
    grey = np.full((300, 400, 3), 0.2, np.float32)
    poses = (Pose(0, 110, 0.25, 0.45, 12.0, "tan"), Pose(1, 150, 0.7, 0.5, -8.0, "dark"))
    return frame(PEOPLE, poses, Shot(turn=turn), grey, (768, 512), np.random.default_rng(3))


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_the_truth_of_a_frame_is_where_the_portraits_were_laid(turn: int) -> None:
    """Pupils are darker than the skin below them, wherever the frame was turned."""
    made = _made(turn)
    height, width = made.camera.shape[:2]
    assert len(made.truth) == 2
    for truth in made.truth:
        matrix = truth.frame_from_portrait
        person = PEOPLE[truth.pose.portrait]
        wanted = (person.points @ matrix[:, :2].T + matrix[:, 2]) / (width, height)
        assert np.allclose(wanted, truth.points)
        down = (truth.points[3] - truth.points[0]) * 0.55
        for eye in truth.points[:2]:
            pupil, cheek = (
                made.camera[int(y * height) - 1 : int(y * height) + 2, int(x * width) - 1 : int(x * width) + 2].mean()
                for x, y in (eye, eye + down)
            )
            assert pupil < 0.8 * cheek


def test_a_worse_detector_scores_worse() -> None:
    made = _made()
    finder = FaceFinder()
    still = {i: finder.find(p.linear, neutral=(1.0, 1.0, 1.0))[0][0] for i, p in enumerate(PEOPLE)}
    found, _ = finder.find(made.camera, neutral=made.neutral)
    good, extra = outcomes("row", made, found, still, PEOPLE)
    assert [o.found for o in good] == [True, True] and extra == 0
    assert all(o.drift is not None and o.drift < 0.05 for o in good)

    lost, extra = outcomes("row", made, found[:1], still, PEOPLE)
    assert [o.found for o in lost].count(True) == 1 and extra == 0
    dreamt = FoundFace("f9", None, Box(0.4, 0.7, 0.1, 0.2), Origin.DETECTOR, 0.9, 0.0, ())
    assert outcomes("row", made, (*found, dreamt), still, PEOPLE)[1] == 1


def _changed(before: np.ndarray, after: np.ndarray, box: tuple[float, float, float, float]) -> tuple[float, float]:
    """Share of changed pixels inside the box, and largest change far from it."""
    left, top, right, bottom = (int(v) for v in box)
    moved = np.abs(after - before).max(axis=-1)
    far = moved.copy()
    far[max(0, top - 90) : bottom + 130, max(0, left - 90) : right + 90] = 0
    return float((moved[top:bottom, left:right] > 0.02).mean()), float(far.max())


@pytest.mark.parametrize("draw", range(3))
def test_a_hand_hides_a_part_of_the_face_and_nothing_else(draw: int) -> None:
    person = PEOPLE[draw % 2]
    share, far = _changed(
        person.linear, dress.hand(person, cheek_colour(person), np.random.default_rng(draw)).linear, person.box
    )
    assert 0.1 < share < 0.8 and far < 0.02  # its soft shadow counts as change


def test_a_veil_takes_contrast_and_sunglasses_hide_the_eyes() -> None:
    person = PEOPLE[0]
    left, top, right, bottom = (int(v) for v in person.box)
    face = (slice(top, bottom), slice(left, right))
    contrasts = [dress.veil(person, np.random.default_rng(i)).linear[face].std() for i in range(6)]
    assert np.median(contrasts) < 0.85 * person.linear[face].std()
    x, y = person.points[0].astype(int)
    eye = (slice(y - 2, y + 3), slice(x - 4, x + 5))
    changes = [
        np.abs(dress.glasses(person, np.random.default_rng(i)).linear - person.linear)[eye].mean() for i in range(8)
    ]
    assert max(changes) > 0.05 > min(changes)


def test_a_turned_head_looks_to_its_side() -> None:
    """The nose, which stands out, moves further than the eyes; heights stay; its box is where the face is."""
    person = heads.turned_head(PEOPLE[1], -55.0)
    moved = person.points - PEOPLE[1].points
    assert np.allclose(moved[:, 1], 0)
    assert moved[2, 0] < moved[:2, 0].mean() < 0  # towards the left, the nose further
    finder = FaceFinder()
    found, _ = finder.find(person.linear, neutral=(1.0, 1.0, 1.0))
    left, top, right, bottom = np.array(person.box) / (512, 600, 512, 600)
    assert max(f.box.iou(Box(left, top, right - left, bottom - top)) for f in found) > 0.4


def test_a_light_from_the_side_leaves_the_other_cheek_dark() -> None:
    person = heads.side_lit(PEOPLE[0], 70.0, 0.1)
    ratio = person.linear / PEOPLE[0].linear.clip(1e-3)
    y, left, right = 125, 198, 252  # beside nose and mouth, read from the picture
    assert ratio[y, right].mean() > 2 * ratio[y, left].mean() or ratio[y, left].mean() > 2 * ratio[y, right].mean()


def test_every_hard_frame_shows_each_tone_once_and_counts_what_is_lost() -> None:
    grounds = [np.full((200, 300, 3), 0.2, np.float32)]
    frame_, tones, who = hard.made("veil", 2, 5, grounds)
    assert sorted(tones) == sorted(TONES)
    boxes = [Box(t.box[0], t.box[1], t.box[2] - t.box[0], t.box[3] - t.box[1]) for t in frame_.truth]
    faces = tuple(FoundFace(f"f{i}", None, box, Origin.DETECTOR, 0.9, 0.0, ()) for i, box in enumerate(boxes))
    dreamt = replace(faces[0], box=Box(0.45, 0.45, 0.02, 0.02))
    seen, extra = hard.judged("veil", 2, frame_, tones, who, (*faces[1:], dreamt))
    assert [s.found for s in seen] == [False, True, True, True, True, True] and extra == 1
    assert "lost" in hard.paired(seen, [replace(s, found=True) for s in seen])
    row = next(line for line in hard.table(seen, extra).splitlines() if line.startswith("veil"))
    assert "83.3%" in row
