"""A small part of the demo shoot, made and measured once; every test works on a copy."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from demo_shoot.event import make_shoot
from xmpsync.cli.main import run

SHOTS = (0, 1, 2, 6, 8, 13, 25, 32)
"""Nobody in the hall; the reference with everybody; regions; other edits and a look; shade; an embedded packet; an
empty stage; candles."""
REFERENCE = "jubilee_0002"


@dataclass(frozen=True)
class Result:
    """What a command printed and how it ended."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        document: dict[str, Any] = json.loads(self.out)
        return document


Call = Callable[..., Result]


@pytest.fixture(scope="session")
def measured_shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight frames with their measurements in the store. Never written to."""
    folder = tmp_path_factory.mktemp("made") / "shoot"
    make_shoot(folder, only=SHOTS)
    (folder / "truth.json").unlink()
    arguments, sys.argv = sys.argv, ["xmpsync", "measure", str(folder)]
    try:
        with pytest.raises(SystemExit) as leaving:
            run()
    finally:
        sys.argv = arguments
    assert leaving.value.code == 0
    return folder


@pytest.fixture
def shoot(measured_shoot: Path, tmp_path: Path) -> Path:
    """A copy of the shoot, measurements included."""
    return Path(shutil.copytree(measured_shoot, tmp_path / "shoot"))


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Call:
    """Run one command line in this process, without a terminal."""

    def _call(*arguments: str | Path, stdin: str | None = None) -> Result:
        monkeypatch.setattr(sys, "argv", ["xmpsync", *map(str, arguments)])
        monkeypatch.setenv("COLUMNS", "200")
        read, write = os.pipe()
        os.write(write, (stdin or "").encode())
        os.close(write)
        with os.fdopen(read) as pipe:
            monkeypatch.setattr(sys, "stdin", pipe)
            capsys.readouterr()
            with pytest.raises(SystemExit) as leaving:
                run()
        printed = capsys.readouterr()
        return Result(int(leaving.value.code or 0), printed.out, printed.err)

    return _call


def tree(folder: Path, *, state: bool = False) -> dict[str, str]:
    """Hash of every file below a folder; the shoot's own state only when asked for."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and (state or ".xmpsync" not in path.parts)
    }
