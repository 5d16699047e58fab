"""Identity vectors are evidence of limited strength: people who look alike are told apart by their skin."""

from __future__ import annotations

import numpy as np
import pytest

from tests.solve.builders import DAY, LAMP, SHADE, SKIN_LAB, Light, burst, face, frame, reference_frame
from xmpsync.records import Settings3
from xmpsync.solve import solve
from xmpsync.solve.persons import lookalikes
from xmpsync.solve.problem import Face, Frame, Reference, Request
from xmpsync.solve.settings import DEFAULT
from xmpsync.solve.tables import build


def _shoot(one_look: bool) -> Request:
    """Three people; with `one_look` ann and cleo, light and brown skin, have the same face for the model."""
    rng = np.random.default_rng(5)
    look = {
        p: v / np.linalg.norm(v) * 0.55 for p, v in zip(("ann", "ben", "cleo"), rng.normal(size=(3, 128)), strict=True)
    }
    if one_look:
        look["cleo"] = look["ann"]

    def shown(person: str, number: int, light: Light) -> Face:
        vector = look[person] + rng.normal(0.0, 0.03, 128)
        noise = tuple(rng.normal(0.0, 0.01, 3))
        return face(
            person, light, named=False, number=number, identity=tuple(vector.tolist()), change=noise,  # type: ignore[arg-type]
        )  # fmt: skip

    def taken(name: str, people: tuple[str, ...], light: Light, time_s: float, baseline: Settings3 | None) -> Frame:
        return frame(name, tuple(shown(p, i, light) for i, p in enumerate(people)), time_s=time_s, baseline=baseline)

    frames = [taken("ref", ("ann", "ben"), DAY, 0.0, Settings3(DAY.kelvin, DAY.tint, 0.0))]
    who = [("ann", "cleo"), ("ben", "cleo"), ("cleo",), ("ann", "ben", "cleo"), ("ann", "cleo"), ("ben",)]
    for start, (name, light) in enumerate((("day", DAY), ("shade", SHADE), ("lamp", LAMP))):
        frames += [
            taken(f"{name}{k}", people, light, 10.0 + 1500.0 * start + 3.0 * k, None) for k, people in enumerate(who)
        ]
    return Request(tuple(frames), (Reference(frame_id="ref"),))


@pytest.mark.parametrize("one_look", [False, True])
def test_nobody_is_forced_onto_the_look_of_another(one_look: bool) -> None:
    solution = solve(_shoot(one_look))
    lights = {"day": DAY, "shad": SHADE, "lamp": LAMP}
    for f in solution.frames[1:]:
        light = lights[f.frame_id[:4].rstrip("0123456789")]
        assert f.correction is not None
        assert 1e6 / f.correction.temperature_k == pytest.approx(1e6 / light.kelvin, abs=8.0), f.frame_id
        assert f.correction.exposure_ev == pytest.approx(-light.gain_ev, abs=0.2), f.frame_id
        assert len({x.person for x in f.faces}) == len(f.faces), "a frame shows nobody twice"


def test_faces_of_one_frame_tell_how_far_identity_may_be_trusted() -> None:
    table = {alike: build(_shoot(alike), frozenset({"ref"}), DEFAULT) for alike in (False, True)}
    assert lookalikes(table[False], DEFAULT.persons) < 0.03
    assert lookalikes(table[True], DEFAULT.persons) > 0.2


def test_two_people_of_like_skin_and_no_identity_become_two(monkeypatch: pytest.MonkeyPatch) -> None:
    """dora's skin lies some 3 units of CIELAB and a fifth of an EV from ann's: near enough to pass for her."""
    monkeypatch.setitem(SKIN_LAB, "dora", (61.5, 14.5, 19.0))
    rng = np.random.default_rng(8)
    frames = [reference_frame(("ann", "ben"), named=False)]
    who: list[tuple[str, ...]] = [("ann", "dora"), ("dora",), ("ben", "dora"), ("ann", "ben"), ("dora",), ("ann",)]
    lights = {"day": DAY, "shad": SHADE, "lamp": LAMP}
    for number, (name, light) in enumerate((("day", DAY), ("shade", SHADE), ("lamp", LAMP))):
        frames += burst(name, light, who, 10.0 + 1500.0 * number, rng=rng, named=False)
    solution = solve(Request(tuple(frames), (Reference(frame_id="ref"),)))
    assert len(solution.persons) == 3
    for f in solution.frames[1:]:
        light = lights[f.frame_id[:4].rstrip("0123456789")]
        assert f.correction is not None
        assert f.correction.exposure_ev == pytest.approx(-light.gain_ev, abs=0.08), f.frame_id
