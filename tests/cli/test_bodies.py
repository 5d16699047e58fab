"""`--body` through the command line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.cli.conftest import REFERENCE, Call
from xmpsync.measuring.frames import Measured
from xmpsync.shoot import session


def test_a_name_for_bodies_that_have_serial_numbers_is_refused(shoot: Path, call: Call) -> None:
    result = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--body", "*=second")
    assert result.code == 2 and "has no effect" in result.err


def test_a_named_body_has_a_clock_of_its_own(shoot: Path, call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    original = session.measure

    def without_serials(*arguments: object, **more: object) -> Measured:
        found = original(*arguments, **more)  # type: ignore[arg-type]
        return replace(
            found, frames={k: replace(m, capture=replace(m.capture, serial=None)) for k, m in found.frames.items()}
        )

    monkeypatch.setattr(session, "measure", without_serials)
    common = ("correct", shoot, "--reference", REFERENCE, "--dry-run")
    named = ("--body", f"{REFERENCE}*=first", "--body", "jubilee_003*=second")
    assert call(*common, *named, "--clock", "second=+00:01:00").code == 0
    unknown = call(*common, *named, "--clock", "third=+00:01:00")
    assert unknown.code == 2 and "first" in unknown.err and "second" in unknown.err
