"""A quick hash of a large file: enough to recognise a RAW that was moved or copied."""

from __future__ import annotations

import hashlib
from pathlib import Path

PART_BYTES = 64 * 1024


def fingerprint(path: Path) -> str:
    """SHA-256 (hex) over the size and the first, middle and last 64 KiB of the file.

    Raises OSError when the file cannot be read.
    """
    with path.open("rb") as file:
        size = file.seek(0, 2)
        digest = hashlib.sha256(str(size).encode())
        for start in (0, max(0, size // 2 - PART_BYTES // 2), max(0, size - PART_BYTES)):
            file.seek(start)
            digest.update(file.read(PART_BYTES))
    return digest.hexdigest()
