"""The rooms' imports point one way, pure rooms stay pure, and each outside library has one home."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "xmpsync"

# Top to bottom: a room imports only from itself and from rooms further down.
ORDER = [
    "__main__",
    "cli",
    "review",
    "shoot",
    "plan",
    "measuring",
    "write",
    "read",
    "faces",
    "store",
    "disk",
    "clocks",
    "solve",
    "measurement",
    "skin",
    "xmp",
    "colour",
]
BOTTOM = {"records", "errors", "printable", "tiff_layout", "events", "__init__"}
PURE = {"clocks", "measurement", "solve", "skin", "xmp", "colour"} | BOTTOM
PURE_MAY_IMPORT = {"numpy", "scipy", "colour", "lxml", "xmpsync"}
PURE_MAY_NOT_IMPORT = {
    "os", "pathlib", "io", "time", "shutil", "tempfile", "subprocess", "socket", "threading", "multiprocessing",
    "sqlite3",
}  # fmt: skip

HOME = {
    "click": {"cli"},
    "rich": {"cli"},
    "rawpy": {"read"},
    "exifread": {"read"},
    "tifffile": {"read"},
    "imagecodecs": {"read"},
    "PIL": {"read", "faces"},
    "onnxruntime": {"faces"},
    "sqlite3": {"store"},
    "multiprocessing": {"measuring"},
    "pebble": {"measuring"},
    "distributed": {"measuring"},
    "colour": {"colour"},
    "lxml": {"xmp"},
    "starlette": {"review"},
    "uvicorn": {"review"},
    "scipy": {"solve", "skin", "colour", "faces"},
}


def _modules() -> list[Path]:
    found = sorted(PACKAGE.rglob("*.py"))
    assert len(found) > 10
    return found


def _room(path: Path) -> str:
    relative = path.relative_to(PACKAGE)
    return relative.parts[0] if len(relative.parts) > 1 else relative.stem


def _imports(path: Path) -> list[str]:
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            assert node.module is not None
            names.append(node.module)
            if node.module == "xmpsync":
                names += [f"xmpsync.{alias.name}" for alias in node.names if not alias.name.startswith("__")]
    return names


def _rank(room: str) -> int:
    return len(ORDER) if room in BOTTOM or room == "xmpsync" else ORDER.index(room)


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_down(path: Path) -> None:
    room = _room(path)
    for name in _imports(path):
        if name.startswith("xmpsync."):
            assert _rank(name.split(".")[1]) >= _rank(room), f"{room} may not import {name}"


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_outside_libraries_stay_in_their_home_and_pure_rooms_stay_pure(path: Path) -> None:
    room = _room(path)
    for name in _imports(path):
        top = name.split(".")[0]
        if top in HOME:
            assert room in HOME[top], f"{top} belongs to {HOME[top]}, not to {room}"
        if room in PURE:
            assert top not in PURE_MAY_NOT_IMPORT, f"{room} is pure and may not import {top}"
            assert top in PURE_MAY_IMPORT or top in sys.stdlib_module_names, f"{room} is pure: {top}"


OPENING_MODULES = {"os", "shutil", "io", "tempfile", "glob", "fcntl", "msvcrt"}
OPENING_CALLS = {
    "open", "read_bytes", "read_text", "write_bytes", "write_text", "unlink", "mkdir", "rmdir", "touch", "rename",
    "symlink_to", "hardlink_to", "exists", "is_file", "is_dir", "lstat", "iterdir", "glob", "rglob", "resolve",
}  # fmt: skip


@pytest.mark.parametrize(
    "path", [p for p in _modules() if _room(p) in ("write", "store")], ids=lambda p: str(p.relative_to(PACKAGE))
)
def test_write_and_store_open_files_through_disk_alone(path: Path) -> None:
    """A shoot folder is somebody else's data: what lies in it is opened in one place (docs/decisions/0016)."""
    assert not OPENING_MODULES & {name.split(".")[0] for name in _imports(path)}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            opens = isinstance(node.func, ast.Attribute) and node.func.attr in OPENING_CALLS
            opens |= isinstance(node.func, ast.Name) and node.func.id == "open"
            assert not opens, f"{path.name}:{node.lineno} opens a file by itself"


@pytest.mark.parametrize(
    "path", [p for p in _modules() if _room(p) in ("shoot", "plan", "measuring")], ids=lambda p: p.name
)
def test_what_lies_in_a_shoot_is_read_whole_through_disk_alone(path: Path) -> None:
    """Plain files, bounded (docs/decisions/0016). RAW files are opened by path in `read/`, for piecewise readers.

    `planned` hashes a RAW piece by piece up to the size that it may write; `scales` saves where the user points;
    `capacity` asks the system.
    """
    allowed = {"planned.py": {"open"}, "scales.py": {"write_bytes"}, "capacity.py": {"read_text"}}.get(path.name, set())
    forbidden = {"open", "read_bytes", "read_text", "write_bytes", "write_text"} - allowed
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            named = isinstance(node.func, ast.Attribute) and node.func.attr in forbidden
            named |= isinstance(node.func, ast.Name) and node.func.id == "open"
            assert not named, f"{path.name}:{node.lineno} opens a file by itself"
