"""Read damaged RAW files the way a worker does, one after the other; one line of JSON per file.

Run as a program with a file that lists the paths. A decoder that crashes ends this process alone: the caller sees which
file was the last, counts it, and starts again behind it.
"""

from __future__ import annotations

import json
import sys
import time
import traceback
import warnings
from pathlib import Path

from xmpsync.read.limits import prepare_worker


def outcome(path: Path) -> str:
    """`read`, `refused`, or the traceback of an exception that nobody planned."""
    from xmpsync.errors import FrameError
    from xmpsync.read.header import read_header
    from xmpsync.read.picture import preview
    from xmpsync.read.profile import profile_for
    from xmpsync.read.raw import open_raw
    from xmpsync.records import Box

    try:
        header = read_header(path)
        preview(header, 512)
        raw = open_raw(path, header)
        raw.cells(Box(0.2, 0.2, 0.3, 0.3))
        cells = raw.cells(reduce=4)
        assert cells.camera.dtype == "float32" and cells.camera.shape[:2] == cells.clipped.shape
        profile_for(header, raw)
        return "read"
    except FrameError as error:
        if path.name not in error.what:
            return f"the error does not name the file: {error}"
        return "refused"
    except MemoryError:
        return "refused"
    except Exception:
        return traceback.format_exc()


def main(listing: Path, start: int) -> None:
    warnings.simplefilter("error")
    prepare_worker()
    names = listing.read_text(encoding="utf-8").splitlines()
    for number in range(start, len(names)):
        print(json.dumps({"start": number}), flush=True)
        before = time.monotonic()
        result = outcome(Path(names[number]))
        print(json.dumps({"number": number, "result": result, "seconds": time.monotonic() - before}), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
