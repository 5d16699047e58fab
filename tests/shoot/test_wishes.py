"""Options are read once, after the frames are known, and every invalid one is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from xmpsync.errors import WrongOptions
from xmpsync.plan.options import RANGES, Options
from xmpsync.shoot.pointers import LabNumbers, Pointer
from xmpsync.shoot.wishes import read_wishes
from xmpsync.solve.problem import GroupStrength

IDS = ("a/K1_0001.DNG", "a/K1_0002.DNG", "b/K2_0001.DNG")


def test_everything_typed_becomes_frame_ids_places_and_numbers() -> None:
    wishes = read_wishes(
        Options(
            references=("Ada=K1_0001@0.5,0.25", "Ben=lab:60,12,18"),
            skin=("K1_0002@.1,.2",),
            neutral=("K2_0001@0.9,0.9",),
            keep=("K2_0001",),
            strength_at=("K1_0002=0.5",),
            clock=("B2=-00:01:30",),
        ),
        IDS,
    )
    assert wishes.references == (Pointer("a/K1_0001.DNG", (0.5, 0.25), "Ada"), LabNumbers((60.0, 12.0, 18.0), "Ben"))
    assert wishes.strengths == (GroupStrength("a/K1_0002.DNG", 0.5),)
    assert wishes.asked_for == set(IDS) and wishes.keep == {"b/K2_0001.DNG"}
    assert [(m.frame_id, m.kind, m.name) for m in wishes.marks] == [
        ("a/K1_0001.DNG", "skin", "Ada"),
        ("a/K1_0002.DNG", "skin", None),
        ("b/K2_0001.DNG", "neutral", None),
    ]
    assert dict(wishes.clocks) == {"B2": -90.0}


def test_every_invalid_option_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(WrongOptions) as caught:
        read_wishes(
            Options(
                references=("K1_0091",),
                frames=("c/*",),
                skin=("K1_0001",),
                neutral=("K1_0001@2,0",),
                keep=("nothing", "K1_0002"),
                leave_out=("K1_0002", "nobody"),
                nudge=("K1_0001=5,0",),
                nudge_light=("K2_0001=0,0,9",),
                strength=1.5,
                strength_at=("K1_0001=2", "K9=0.5"),
                clock=("B2",),
                tolerance_de00=float("nan"),
                camera_profiles=(str(tmp_path / "none.dcp"),),
                scale=str(tmp_path / "none.json"),
            ),
            IDS,
        )
    told = [one.what for one in caught.value.each]
    options = ("--strength ", "--tolerance", "--frames", "--camera-profile", "--scale", "--reference", "--skin")
    options += ("--neutral", "--keep", "--strength-at 'K1_0001=2'", "--strength-at 'K9'", "--clock")
    options += ("--leave-out 'nobody'", "--leave-out: another option", "--nudge ", "--nudge-light ")
    for option in options:
        assert sum(what.startswith(option) for what in told) == 1, (option, told)
    assert len(told) == len(options)


@pytest.mark.parametrize(("option", "name", "least", "most"), RANGES)
def test_both_ends_of_a_range_are_inside_and_what_is_beyond_is_not(
    option: str, name: str, least: float, most: float
) -> None:
    for value in (least, most):
        read_wishes(Options(**{name: value}), IDS)
    for value in (least - 1.0, most + 0.01, float("inf")):
        with pytest.raises(WrongOptions, match=option):
            read_wishes(Options(**{name: value}), IDS)
