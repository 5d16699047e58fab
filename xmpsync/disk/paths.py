"""Which texts are a path relative to a folder, spelled in the one way that we write it."""

from __future__ import annotations

import sys

MAX_BYTES, MAX_NAME_BYTES = 4096, 255
"""PATH_MAX and NAME_MAX of common systems (limits.h)."""
_NOT_IN_NAMES = set('\0\\:*?"<>|') if sys.platform == "win32" else {"\0"}


def why_not_inside(path: str) -> str | None:
    """Why `path` is not a relative path with `/`, without `.` and `..`; None if it is one. A phrase for people."""
    parts = path.split("/")
    if not path:
        return "is empty"
    if path.startswith("/"):
        return "is absolute"
    if any(part in ("", ".", "..") for part in parts):
        return "is not a plain relative path"
    if _NOT_IN_NAMES & set(path):
        return "holds a character that file names cannot have"
    try:
        names = [part.encode("utf-8", "surrogateescape") for part in parts]
    except UnicodeEncodeError:
        return "holds half a character"
    if sum(map(len, names)) + len(names) > MAX_BYTES or max(map(len, names)) > MAX_NAME_BYTES:
        return "is too long"
    return None


def is_hidden(path: str) -> bool:
    """Whether a folder on the way, or the file, is hidden (begins with a dot): our state is, frames are not."""
    return any(part.startswith(".") for part in path.split("/"))
