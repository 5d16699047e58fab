"""Whole sessions of the terminal at 60, 80 and 120 columns, kept as text: a change of what is read shows in review.

The commands run as they are; what they find is made by hand (`made_up`), so that no change of the solver moves them. To
record anew after a wanted change: RECORD_SCREENS=1 python -m pytest tests/cli/test_sessions.py
"""

from __future__ import annotations

import io
import os
import re
import sys
from pathlib import Path

import pytest

from tests.cli import made_up
from xmpsync.cli.main import run
from xmpsync.errors import NoReference, WrongOptions, WrongUsage

SCREENS = Path(__file__).with_name("screens")
WIDTHS = (60, 80, 120)
SHOOT = str(made_up.ROOT)
ONE_SCREEN = 40
"""Lines of a usual window."""

SESSIONS = {
    "dry_run": ["correct", SHOOT, "--reference", "k1/K1_0001", "--dry-run"],
    "every_frame": ["correct", SHOOT, "--reference", "k1/K1_0001", "--dry-run", "--frames-table", "--lights"],
    "asked": ["correct", SHOOT, "--reference", "k1/K1_0001"],
    "write": ["correct", SHOOT, "--reference", "k1/K1_0001", "--yes"],
    "check": ["check", SHOOT],
    "people": ["people", SHOOT],
    "references": ["references", SHOOT],
    "no_reference": ["check", SHOOT],
    "runs": ["runs", SHOOT],
    "rollback_dry_run": ["rollback", SHOOT, "--dry-run"],
    "rollback": ["rollback", SHOOT],
    "wrong_options": ["correct", SHOOT, "--dry-run"],
}
MAY_BE_WIDER = ("$ ", "xmpsync ")
"""Command lines stay in one piece, so that they can be copied."""


class _Terminal(io.StringIO):
    """Stands for the window: everything a person sees, in order."""

    def isatty(self) -> bool:
        return True


class _Keyboard(io.StringIO):
    """Types y; a terminal shows what is typed."""

    def isatty(self) -> bool:
        return True

    def readline(self, size: int | None = -1) -> str:
        line = super().readline(size)
        sys.stdout.write(line)
        return line


def _patched(monkeypatch: pytest.MonkeyPatch, session: str) -> None:
    def no_reference(*_: object, **__: object) -> None:
        raise NoReference("There is nothing to judge by.", next_step="Name a frame whose skin is right.")

    def wrong_options(*_: object, **__: object) -> None:
        raise WrongOptions(
            [
                WrongUsage("--frames 'k3/*' matches no frame.", next_step="Check the pattern; quote it for the shell."),
                WrongUsage(
                    "--reference 'K1_9': no such frame in this shoot.", next_step="Did you mean k1/K1_0009.nef?"
                ),
            ]
        )

    for where, result in (
        ("shoot.correct.prepare_correction", made_up.correction()),
        ("shoot.correct.carry_out", made_up.outcome()),
        ("shoot.check.check_shoot", made_up.checked()),
        ("shoot.people.find_people", made_up.people()),
        ("shoot.references.find_references", made_up.references()),
        ("shoot.history.history", made_up.history()),
        ("shoot.history.prepare_rollback", made_up.rollback()),
        ("shoot.history.carry_out_rollback", made_up.rolled_back()),
    ):
        monkeypatch.setattr(f"xmpsync.{where}", lambda *_, _result=result, **__: _result)
    if session == "no_reference":
        monkeypatch.setattr("xmpsync.shoot.check.check_shoot", no_reference)
    if session == "wrong_options":
        monkeypatch.setattr("xmpsync.shoot.correct.prepare_correction", wrong_options)


def _seen(monkeypatch: pytest.MonkeyPatch, session: str, width: int) -> str:
    """What stands in the window after one command; the question is answered with y."""
    _patched(monkeypatch, session)
    window = _Terminal()
    for name, value in {"COLUMNS": str(width), "LINES": "40", "TERM": "xterm", "NO_COLOR": "1", "TZ": "UTC"}.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "argv", ["xmpsync", *SESSIONS[session]])
    monkeypatch.setattr(sys, "stdin", _Keyboard("y\n"))
    monkeypatch.setattr(sys, "stdout", window)
    monkeypatch.setattr(sys, "stderr", window)
    with pytest.raises(SystemExit) as leaving:
        run()
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", window.getvalue())
    return f"$ xmpsync {' '.join(SESSIONS[session])}\n{text}[exit code {leaving.value.code}]\n"


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("session", SESSIONS)
def test_the_session_is_as_recorded(monkeypatch: pytest.MonkeyPatch, session: str, width: int) -> None:
    path, screen = SCREENS / f"{session}_{width}.txt", _seen(monkeypatch, session, width)
    if os.environ.get("RECORD_SCREENS"):
        path.write_text(screen, encoding="utf-8")
    assert path.read_text(encoding="utf-8") == screen


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("session", SESSIONS)
def test_lines_fit_the_window(monkeypatch: pytest.MonkeyPatch, session: str, width: int) -> None:
    lines = _seen(monkeypatch, session, width).splitlines()
    wide = [line for line in lines if len(line) > width and not line.startswith(MAY_BE_WIDER)]
    assert wide == []


@pytest.mark.parametrize("session", [name for name in SESSIONS if name != "every_frame"])
def test_a_command_fills_one_screen_of_80_columns_at_most(monkeypatch: pytest.MonkeyPatch, session: str) -> None:
    assert len(_seen(monkeypatch, session, 80).splitlines()) <= ONE_SCREEN
