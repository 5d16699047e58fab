"""What a worker on another machine runs: the measuring function of `worker`, wrapped so that versions can differ.

Only bytes and texts cross the network: a worker with another version of this tool still answers, with its version.
Nothing heavy is imported before the decoder is told to use one thread.
"""

from __future__ import annotations

import os
import pickle
import platform
from pathlib import Path
from typing import Any

from xmpsync import __version__


def version() -> str:
    """What two machines must have in common for the same bytes of results."""
    from xmpsync.faces.version import FACES_VERSION
    from xmpsync.measurement import VERSION
    from xmpsync.skin.settings import SKIN_VERSION

    return f"{__version__}, measurements {VERSION}, faces {FACES_VERSION}, skin {SKIN_VERSION}"


def measure_there(packed: bytes, files: list[tuple[str, int]]) -> tuple[str, str, bytes]:
    """Version, machine, and the packed outcomes of some frames, in order.

    `packed`: the jobs as this version packs them. `files`: where each frame lies on this machine, and its bytes, as the
    main process sees it.
    """
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    jobs = pickle.loads(packed)
    found = [_outcome(job, raw, size) for job, (raw, size) in zip(jobs, files, strict=True)]
    return version(), platform.node(), pickle.dumps(found)


def _outcome(job: Any, raw: str, size: int) -> Any:
    from dataclasses import replace

    from xmpsync.errors import Trouble
    from xmpsync.measuring.worker import measure_frame

    advice = "Check --map, or measure it here: run the same command without --scheduler."
    try:
        found = Path(raw).stat().st_size
    except OSError as error:
        return Trouble(
            job.frame_id,
            f"{job.frame_id}: the worker on {platform.node()} cannot read {raw} ({error.strerror}).",
            advice,
        )
    if found != size:
        return Trouble(
            job.frame_id,
            f"{job.frame_id}: on {platform.node()}, {raw} is another file ({found} bytes instead of {size}).",
            advice,
        )
    return measure_frame(replace(job, raw=raw))
