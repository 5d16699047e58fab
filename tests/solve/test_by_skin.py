"""People whom identity takes for one are told apart by their skins inside each light, and one person stays one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.solve.builders import DAY, GREEN, LAMP, SHADE, face, frame, reference_frame
from xmpsync.records import Develop
from xmpsync.solve import solve
from xmpsync.solve.likeness import DEFAULT
from xmpsync.solve.matching import matched
from xmpsync.solve.parting import RULED_OUT, Parted, Skins, joined, parted, settled
from xmpsync.solve.problem import Reference, Request

LIGHTS = (DAY, SHADE, LAMP, GREEN)
EACH = 4
STATE = 0.35


def _skins(x, light, moment=None) -> Skins:
    n, n_lights = len(x), int(max(light)) + 1
    moment = np.arange(n) if moment is None else np.asarray(moment)
    n_moments = int(moment.max()) + 1
    of_moment = np.zeros(n_moments, dtype=np.intp)
    of_moment[moment] = light
    return Skins(
        x=np.asarray(x, dtype=float), variance=np.full((n, 3), 1e-4), light=np.asarray(light), moment=moment,
        of_moment=of_moment, minutes=np.zeros(n_moments), common=np.tile([0.15**2, 0.15**2, 0.2**2], (n_moments, 1)),
        shift=np.tile([5.0, 5.0, 2.0], (n_lights, 1)), drift=np.array([0.2, 0.2, 0.05]), people=np.zeros(3),
        wide=np.array([5.0, 5.0, 1.0]), own=np.array([STATE, STATE, 0.12]) ** 2,
        cell=np.array([0.5, 0.5, 0.05]) ** 2, weight=8.0,
    )  # fmt: skip


def _hypothesis(s: Skins, group, bound=None) -> Parted:
    group = np.asarray(group)
    n, k = len(group), int(group.max()) + 1
    told = np.zeros((n, k))
    bound = np.full(n, -1) if bound is None else np.asarray(bound)
    for i in np.flatnonzero(bound >= 0):
        told[i] = RULED_OUT
        told[i, bound[i]] = 0.0
    return Parted(
        np.eye(k)[group], told, told.min(axis=1), bound, np.arange(k), np.zeros((k, 3)), np.zeros((1, 1, 3)),
        np.zeros((1, 1, 3)), s.own, -np.inf,
    )  # fmt: skip


def _shoot(rng, colours, lights=4, each=EACH):
    """Sightings (n, 3), light and person of each: everybody `each` times in each light."""
    person = np.tile(np.repeat(np.arange(len(colours)), each), lights)
    light = np.repeat(np.arange(lights), len(colours) * each)
    shift = rng.normal(0.0, [4.0, 4.0, 1.0], (lights, 3))
    x = np.asarray(colours)[person] + shift[light] + rng.normal(0.0, [STATE, STATE, 0.15], (len(person), 3))
    return x, light, person


@pytest.fixture
def rng():
    return np.random.default_rng(3)


def test_three_skins_of_one_face_become_three_people_in_every_light(rng):
    x, light, person = _shoot(rng, [(0.0, 0.0, 0.0), (2.5, 1.0, -0.6), (-1.0, -3.0, 0.4)])
    s = _skins(x, light)
    found = parted(s, settled(s, _hypothesis(s, np.zeros(len(x), int))), 2)
    assert found.r.shape[1] == 3
    label = found.r.argmax(axis=1)
    assert all(len(set(label[person == p])) == 1 for p in range(3))


def test_one_person_stays_one_with_states_in_drifting_light_and_under_another_lamp_now_and_then(rng):
    x, light, _ = _shoot(rng, [(0.0, 0.0, 0.0)], each=10)
    x[[3, 14, 27]] += [(6.0, 2.0, 0.0), (-5.0, 4.0, 0.3), (3.0, -6.0, -0.2)]
    minutes = np.tile(np.linspace(-15.0, 15.0, 10), 4)
    x[light == 2] += minutes[:10, None] * [0.15, 0.1, 0.03]
    s = replace(_skins(x, light), minutes=minutes)
    assert parted(s, settled(s, _hypothesis(s, np.zeros(len(x), int))), 2).r.shape[1] == 1


def test_a_lamp_that_stands_on_a_few_faces_of_one_light_founds_nobody(rng):
    x, light, _ = _shoot(rng, [(0.0, 0.0, 0.0), (1.0, 3.0, 0.5)], each=6)
    x[:4] += (7.0, 1.0, 0.0)
    s = _skins(x, light)
    group = np.tile(np.repeat([0, 1], 6), 4)
    assert parted(s, settled(s, _hypothesis(s, group)), 2).r.shape[1] == 2


def test_a_named_face_with_a_poor_vector_joins_the_people_who_have_its_skin(rng):
    x, light, person = _shoot(rng, [(0.0, 0.0, 0.0), (3.0, 1.0, -0.6)])
    s = _skins(x, light)
    group, bound = person + 1, np.full(len(x), -1)
    group[5], bound[5] = 0, 0
    vector = np.zeros((len(x), 128))
    vector[np.arange(len(x)), 3 * person] = 0.3
    vector += rng.normal(0.0, 0.02, vector.shape)
    sd = np.full(len(x), 0.3)
    vector[5], sd[5] = vector.mean(axis=0), 0.5
    start = _hypothesis(s, group, bound)
    start.told[bound < 0] = RULED_OUT  # by identity each is of its own group
    start.told[np.arange(len(x)), group] = 0.0
    h = settled(s, start)
    found = joined(s, h, start.r, vector, sd, 1, DEFAULT)
    assert found.r.shape[1] == 2
    assert (found.r[person == person[5], 0] > 0.95).all() and (found.r[person != person[5], 0] < 0.05).all()


def test_two_people_who_were_seen_often_stay_two_however_alike_their_skins(rng):
    x, light, person = _shoot(rng, [(0.0, 0.0, 0.0), (0.0, 0.0, 0.0)])
    s = _skins(x, light)
    vector = np.zeros((len(x), 128))
    vector[np.arange(len(x)), person] = 0.2
    start = _hypothesis(s, person)
    found = joined(s, settled(s, start), start.r, vector, np.full(len(x), 0.3), 0, DEFAULT)
    assert found.r.shape[1] == 2


@pytest.mark.parametrize(("together", "persons"), [(False, 1), (True, 2)])
def test_two_sorted_apart_by_chance_are_made_one_unless_a_picture_shows_both(rng, together, persons):
    x, light, person = _shoot(rng, [(0.0, 0.0, 0.0), (0.0, 0.0, 0.0)])
    moment = np.arange(len(x))
    if together:
        moment[EACH] = 0
        moment = np.unique(moment, return_inverse=True)[1]
    s = _skins(x, light, moment)
    vector = np.zeros((len(x), 128))
    start = _hypothesis(s, person)
    start.told[np.arange(len(x)), 1 - person] = -3.0
    found = joined(s, settled(s, start), start.r, vector, np.full(len(x), 0.3), 0, DEFAULT)
    assert found.r.shape[1] == persons


def test_two_people_under_each_others_names_are_matched(rng):
    x, light, person = _shoot(rng, [(0.0, 0.0, 0.0), (3.0, 1.0, -0.6)])
    s = _skins(x, light, np.append([0, 0], np.arange(1, len(x) - 1)))
    swap, bound = 1 - person, np.full(len(x), -1)
    s = replace(s, x=np.vstack([x[[0, EACH]], x[[i for i in range(len(x)) if i not in (0, EACH)]]]))
    order = np.append([0, EACH], [i for i in range(len(x)) if i not in (0, EACH)])
    s = replace(s, light=light[order], of_moment=np.append([0], light[order][2:]))
    bound[:2] = 0, 1
    group = swap[order]
    group[:2] = 0, 1
    found = matched(s, settled(s, _hypothesis(s, group, bound)), 2)
    assert (found.r.argmax(axis=1) == person[order]).mean() > 0.9


def test_people_of_one_portrait_and_different_skins_are_corrected_as_themselves(rng):
    """The whole solve: three people whose vectors tell nothing, never more than two in a frame, four lights."""
    people, centre = ("ann", "ben", "cleo"), rng.normal(0.0, 0.08, 128)

    def vector():
        return tuple((centre + rng.normal(0.0, 0.2 / np.sqrt(128), 128)).tolist())

    def shown(names, light):
        change = tuple(rng.normal(0.0, 0.006, 3))
        return tuple(
            face(p, light, named=False, number=i, change=change, identity=vector()) for i, p in enumerate(names)
        )

    reference = reference_frame(people, named=False)
    reference = replace(reference, faces=tuple(replace(f, identity=vector()) for f in reference.faces))
    frames, who = [reference], {"ref": people}
    for g, light in enumerate(LIGHTS):
        for k in range(8):
            names = tuple(rng.permutation(people)[: 1 + k % 2])
            name = f"{g}{k}"
            who[name] = names
            frames.append(frame(name, shown(names, light), time_s=2000.0 * (g + 1) + 20.0 * k,
                                as_shot=Develop(light.kelvin * 1.05, light.tint + 3.0, 0.0)))  # fmt: skip
    solution = solve(Request(tuple(frames), (Reference(frame_id="ref"),)))
    meant = {f.person: p for f, p in zip(solution.frames[0].faces, people, strict=True)}
    assert len(meant) == 3
    labels = [(meant.get(f.person), p) for r in solution.frames for f, p in zip(r.faces, who[r.frame_id], strict=True)]
    known = [(label, p) for label, p in labels if label is not None]
    assert len(known) > 0.8 * len(labels) and all(label == p for label, p in known)
    for r in solution.frames[1:]:
        light = LIGHTS[int(r.frame_id[0])]
        assert 1e6 / r.correction.temperature_k == pytest.approx(1e6 / light.kelvin, abs=6.0)
        assert not any(f.code.value == "mixed-light" for f in r.findings)
