"""Screens at 60, 80 and 120 columns, kept as text: a change of what a photographer sees shows in review.

The documents behind them are made by hand, so that no change of the solver moves them. To record anew after a wanted
change: RECORD_SCREENS=1 python -m pytest tests/cli/test_screens.py
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from xmpsync.cli.show import RIGHT
from xmpsync.cli.show_correct import YIELDING, frame_table, lights
from xmpsync.cli.table import fitted, shortened
from xmpsync.plan.propose import Row
from xmpsync.records import Develop
from xmpsync.solve.solution import Basis, Code, FaceResult, Finding, FrameResult, Unjudged

SCREENS = Path(__file__).with_name("screens")
WIDTHS = (60, 80, 120)


def _face(person: str | None, before: float, after: float, ev: float) -> FaceResult:
    why = None if person else Unjudged.UNKNOWN_PERSON
    return FaceResult("f1", person, 0.99, before, after, ev, ev / 20, why)


def _row(
    name: str,
    group: int,
    basis: Basis,
    *faces: FaceResult,
    after: Develop | None,
    findings: tuple[Code, ...] = (),
) -> Row:
    told = tuple(Finding(code, "Look at it.") for code in findings)
    result = FrameResult(name, basis, group, after, 3.0, 1.0, 0.05, faces, told)
    before = Develop(5000.0, 0.0, 0.0, as_shot=True) if group else Develop(5150.0, 4.0, 0.2)
    return Row(name, f"{name}.xmp", before, after, result)


ROWS = (
    _row("card 1 of the second photographer/BRIDE_AND_GROOM_0412.dng", 0, Basis.REFERENCE, _face("Ada", 0, 0, 0),
         after=None),
    _row("card 1 of the second photographer/BRIDE_AND_GROOM_0413.dng", 0, Basis.FACES, _face("Ada", 4.2, 0.4, -0.61),
         _face("Ben", 3.9, 0.6, -0.55), after=Develop(5320.0, 12.0, 0.78)),
    _row("k2/K2_0007.nef", 1, Basis.FACES, _face("Ada", 12.3, 2.9, 1.4), after=Develop(2410.0, -3.0, -1.25),
         findings=(Code.MIXED_LIGHT,)),
    _row("k2/K2_0008.nef", 1, Basis.FACES, _face(None, 11.0, 1.0, 1.2), after=Develop(50000.0, -150.0, -1.2)),
    _row("k2/K2_0900.nef", 2, Basis.GROUP, after=Develop(7100.0, 8.0, 0.0), findings=(Code.NO_FACE,)),
)  # fmt: skip


def _screen(width: int) -> str:
    columns, rows = lights(ROWS)
    lines = fitted(columns, rows, width, right=RIGHT, names=("from",), yielding=("from",))
    columns, rows = frame_table(ROWS)
    lines += ["", *fitted(columns, rows, width, right=RIGHT, names=("frame",), yielding=YIELDING)]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("width", WIDTHS)
def test_the_screen_is_as_recorded(width: int) -> None:
    path, screen = SCREENS / f"correct_{width}.txt", _screen(width)
    if os.environ.get("RECORD_SCREENS"):
        path.parent.mkdir(exist_ok=True)
        path.write_text(screen, encoding="utf-8")
    assert path.read_text(encoding="utf-8") == screen


@pytest.mark.parametrize("width", WIDTHS)
def test_a_screen_fits_and_no_new_value_is_cut(width: int) -> None:
    screen = _screen(width)
    assert max(map(len, screen.splitlines())) <= width
    for row in ROWS:
        if row.after is not None:
            values = (f"{row.after.temperature_k:.0f}", f"{row.after.tint:+.0f}", f"{row.after.exposure_ev:+.2f}")
            assert all(value in screen for value in values)


def test_a_shortened_name_keeps_its_number() -> None:
    assert shortened("BRIDE_AND_GROOM_0412.dng", 14).endswith("0412.dng")
    assert len(shortened("BRIDE_AND_GROOM_0412.dng", 14)) == 14


def test_a_run_id_is_whole_at_60_columns() -> None:
    run = "0007-20260912T221530Z"
    rows = [(run, "2026-09-12 22:15", "correct", "1843", "partly rolled back")]
    lines = fitted(("run", "time", "command", "files", "state"), rows, 60, yielding=("command", "time", "files"))
    assert run in lines[1] and max(map(len, lines)) <= 60
