"""Faces whose regions shine otherwise than those of the same person's reference are less sure, the others are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.solve.builders import DAY, LAMP, PROFILE, burst, reference_frame
from xmpsync.colour.camera import neutral_from_white
from xmpsync.measurement import Face
from xmpsync.records import Develop
from xmpsync.skin.records import FaceSkin, Region, RegionSkin
from xmpsync.solve import gloss, reference
from xmpsync.solve.problem import Frame, Reference, Request
from xmpsync.solve.settings import DEFAULT
from xmpsync.solve.tables import Table, build

REGIONS = (Region.FOREHEAD, Region.LEFT_CHEEK, Region.RIGHT_CHEEK, Region.NOSE, Region.CHIN)
SHARES = (0.35, 0.1, 0.1, 0.3, 0.0)


def _with_regions(face: Face, shine: tuple[float, ...]) -> Face:
    """The face with five regions of its own colour, `shine` of the lamp's light added to each."""
    assert face.skin is not None
    body, light = np.array(face.skin.camera), neutral_from_white(PROFILE, LAMP.kelvin, LAMP.tint)
    parts = []
    for region, share in zip(REGIONS, shine, strict=True):
        camera = body * (1 - share) + share * body.mean() * light / light.mean()
        parts.append(RegionSkin(region, tuple(float(v) for v in camera), face.skin.log_covariance, 100))  # type: ignore[arg-type]
    mean = np.exp(np.mean([np.log(p.camera) for p in parts], axis=0))
    skin = FaceSkin(tuple(float(v) for v in mean), face.skin.log_covariance, 500, tuple(parts))  # type: ignore[arg-type]
    return replace(face, skin=skin)


def _shine(frame: Frame, shares: tuple[float, ...] = (0.0,) * 5) -> Frame:
    return replace(frame, faces=tuple(_with_regions(face, shares) for face in frame.faces))


def _table(people: tuple[str, ...], known: tuple[str, ...]) -> tuple[Table, Table, list[str]]:
    """The table before and after: four matte pictures of each of `people` under a lamp and a fifth that shines."""
    frames = [_shine(reference_frame(known))]
    for person in people:
        shots = burst(person, LAMP, [(person,)] * 5, 100.0, as_shot=Develop(LAMP.kelvin, LAMP.tint, 0.0), scatter=0.002)
        frames += [*map(_shine, shots[:4]), _shine(shots[4], SHARES)]
    request = Request(tuple(frames), (Reference(frame_id="ref"),))
    chosen = reference.choices(request)
    table = build(request, frozenset({"ref"}), DEFAULT)
    targets = reference.targets(request, chosen, table)
    names = [t.person for t in targets]
    names += [p for p in people if p not in names]
    r = np.zeros((table.n_faces, len(names) + 1))
    for row, face in enumerate(table.faces):
        r[row, names.index(face.name or "")] = 1.0
    ids = [table.frames[f].frame_id for f in table.face_frame]
    return table, gloss.doubted(table, targets, r), ids


def _wider(before: Table, after: Table, ids: list[str]) -> dict[str, float]:
    more = np.sqrt((after.face_log_covariance - before.face_log_covariance)[:, 1, 1])
    return {i: float(v) for i, v in zip(ids, more, strict=True)}


def test_a_face_that_shines_beyond_its_reference_is_less_sure() -> None:
    wider = _wider(*_table(("ann",), ("ann",)))
    assert wider.pop("ann04") > 0.1
    assert set(wider.values()) == {0.0}


def test_a_person_without_a_reference_is_compared_with_the_own_faces() -> None:
    wider = _wider(*_table(("ann", "ben"), ("ann",)))
    assert wider["ben04"] > 0.1
    assert max(wider[f"ben0{k}"] for k in range(4)) < 0.1 * wider["ben04"] + 0.08


def test_who_is_not_surely_somebody_stays_as_measured() -> None:
    before, _, _ = _table(("ann",), ("ann",))
    unsure = np.full((before.n_faces, 2), 0.5)
    request = Request(before.frames, (Reference(frame_id="ref"),))
    targets = reference.targets(request, reference.choices(request), before)
    after = gloss.doubted(before, targets, unsure)
    assert np.array_equal(after.face_log_covariance, before.face_log_covariance)


def test_faces_without_regions_change_nothing() -> None:
    request = Request((reference_frame(), *burst("day", DAY, [("ann",)] * 3, 10.0)), (Reference(frame_id="ref"),))
    table = build(request, frozenset({"ref"}), DEFAULT)
    targets = reference.targets(request, reference.choices(request), table)
    sure = np.tile([1.0, 0.0], (table.n_faces, 1))
    assert np.array_equal(gloss.doubted(table, targets, sure).face_log_covariance, table.face_log_covariance)
