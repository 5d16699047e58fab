"""What is recalled, and how clocks are read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from xmpsync.colour.camera_profile import Calibration, CameraProfile
from xmpsync.errors import WrongUsage
from xmpsync.events import Silent
from xmpsync.plan.options import Options
from xmpsync.records import Capture, Develop
from xmpsync.shoot import session
from xmpsync.shoot.request import shifted
from xmpsync.shoot.wishes import clock
from xmpsync.solve.problem import Frame
from xmpsync.write.runs import RunState, RunSummary

PROFILE = CameraProfile((Calibration(6500.0, ((0.9, -0.2, 0.0), (-0.4, 1.2, 0.2), (0.0, 0.1, 0.6))),))
FRAME = Frame("a.dng", PROFILE, Capture("Boatworks", "B2", time_s=1000.0), Develop(5000, 0, 0), Develop(5000, 0, 0))


def test_clock_corrections_are_hours_minutes_seconds_with_a_sign() -> None:
    assert [clock(text) for text in ("B2=+01:00:02.5", "Boat=works=-00:01:30")] == [
        ("B2", 3602.5),
        ("Boat=works", -90.0),
    ]
    for bad in ("B2", "B2=1:00:00", "B2=+01:99:00", "=+00:00:01"):
        with pytest.raises(WrongUsage, match="HH:MM:SS"):
            clock(bad)


def test_a_shift_moves_its_own_body_only_and_needs_a_time() -> None:
    assert shifted(FRAME, {"Boatworks/B2": 60.0}).capture.time_s == 1060.0
    assert shifted(FRAME, {"Boatworks/B1": 60.0}) is FRAME
    timeless = replace(FRAME, capture=replace(FRAME.capture, time_s=None))
    assert shifted(timeless, {"Boatworks/B2": 60.0}) is timeless


class Notes(Silent):
    """Collects what is told."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def note(self, sentence: str) -> None:
        self.told.append(sentence)


def _run(options: dict[str, object]) -> RunSummary:
    return RunSummary("0007", "", "correct", "", RunState.COMPLETE, ("a.xmp",), options=options)


def test_options_of_the_newest_run_come_back_where_none_are_given_and_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = Options(references=("K 1",), strength=0.5, skin=("K3@0.5,0.5",))
    monkeypatch.setattr(session, "remembered", lambda state: _run(kept.to_manifest()))
    state, notes = Path("nowhere"), Notes()
    assert session.recall(Options(), state, notes) == kept
    # every option that acts is named, with the run it comes from, as it would be typed in a shell
    assert notes.told == ["As in run 0007: --reference 'K 1' --strength 0.5 --skin K3@0.5,0.5"]
    given = Options(references=("K2",))
    assert session.recall(given, state, notes) == given and len(notes.told) == 1
    # some options given, but no reference: they count, with the references and marks of that run
    found = session.recall(Options(strength=0.8), state, notes)
    assert found == Options(references=("K 1",), strength=0.8, skin=("K3@0.5,0.5",))
    assert notes.told[1] == "As in run 0007: --reference 'K 1' --skin K3@0.5,0.5"
    monkeypatch.setattr(session, "remembered", lambda state: None)
    assert session.recall(Options(), state, notes) == Options()


def test_what_would_write_more_counts_only_when_given(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = Options(references=("K1",), embed_dng=True, tag="by hand", metadata_date=True, only="wb")
    monkeypatch.setattr(session, "remembered", lambda state: _run(kept.to_manifest()))
    assert session.recall(Options(), Path("nowhere"), Silent()) == Options(references=("K1",), only="wb")
    given = session.recall(Options(embed_dng=True), Path("nowhere"), Silent())
    assert given == Options(references=("K1",), only="wb", embed_dng=True)


def test_options_of_another_version_that_cannot_be_read_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session, "remembered", lambda state: _run({"references": 3}))
    with pytest.raises(WrongUsage, match="Give the options again"):
        session.recall(Options(), Path("nowhere"), Silent())


@pytest.mark.parametrize(
    "plain",
    [{"strength": 7.5}, {"strength": -1e9}, {"tolerance_de00": -1}, {"neutral_weight": 2}, {"min_rating": 10**13},
     {"references": "K1"}, {"only": "all"}, {"tag": 7}, {"keep": ["x"] * 20_000}],
)  # fmt: skip
def test_remembered_options_out_of_their_ranges_are_refused(plain: dict[str, object]) -> None:
    with pytest.raises(WrongUsage, match="remembered"):
        Options.from_manifest(plain)
