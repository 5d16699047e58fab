"""What one frame may cost: bounds that are checked before anything is decoded, and what a worker process needs.

A damaged or hostile file can claim any size. LibRaw allocates what the header claims, so the claim is checked first;
what slips through is stopped by the worker's own address-space limit (where the system has one) and by the caller's
time limit.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sys
from dataclasses import dataclass
from pathlib import Path

from xmpsync.errors import RawUnreadable
from xmpsync.printable import printable as printable


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """Bounds for one frame."""

    max_pixels: int = 400_000_000
    """Photosites of one RAW. Pixel-shift and stitching backs reach 240 to 400 megapixels; more is a damaged header."""
    min_side: int = 22
    """Pixels. LibRaw itself refuses sensors with fewer rows."""
    max_aspect: float = 30.0
    """Long side / short side. Panorama modes reach about 10."""
    max_preview_pixels: int = 400_000_000
    """Pixels of an embedded preview, checked from its header before it is decoded."""
    max_packet_bytes: int = 64 * 1024 * 1024
    """Bytes of an embedded XMP packet. Brush strokes and masks take some megabytes."""
    max_worker_memory_bytes: int = 4 * 1024**3
    """Address space that one worker may add while it works on one frame (Linux and others with RLIMIT_AS)."""


DEFAULT = ReadLimits()


def check_size(path: Path, width: int, height: int, limits: ReadLimits = DEFAULT) -> None:
    """Refuse a picture size that no camera makes, before memory is taken for it. Raises `RawUnreadable`."""
    short, long = sorted((width, height))
    if short < limits.min_side or width * height > limits.max_pixels or long > limits.max_aspect * short:
        raise RawUnreadable(
            f"{printable(path)}: the file says the picture has {width} x {height} pixels, which no camera makes;"
            " it is damaged.",
            next_step="Copy the file again from the card or the backup.",
        )


def prepare_worker(limits: ReadLimits = DEFAULT) -> None:
    """Call once at the start of a spawned worker: one thread, bounded memory, quiet decoders.

    The thread count must be in the environment before LibRaw is loaded, so that a spawned worker calls this first.
    LibRaw writes to the C library's stderr; a worker's is sent to the null device, since every error also comes back
    as an exception and progress owns the terminal.
    """
    os.environ["OMP_NUM_THREADS"] = "1"
    _quiet_libraries()
    with contextlib.suppress(OSError, ValueError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 2)
        os.close(null)
    if sys.platform != "win32":
        import resource

        # An address-space limit that cannot be set (macOS refuses some) leaves the checks before decoding.
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            soft, hard = resource.getrlimit(resource.RLIMIT_AS)
            wanted = _address_space_bytes() + limits.max_worker_memory_bytes
            if soft == resource.RLIM_INFINITY or soft > wanted:
                resource.setrlimit(resource.RLIMIT_AS, (wanted, hard))


def _address_space_bytes() -> int:
    """Address space this process has mapped now (Linux; elsewhere 0, and the limit is only the allowance)."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    except (OSError, ValueError, IndexError):
        return 4 * 1024**3  # libraries alone map that much on some systems
    return pages * os.sysconf("SC_PAGE_SIZE")


def _quiet_libraries() -> None:
    """Metadata readers log what they find odd in a file; the reader raises where it matters."""
    for name in ("tifffile", "exifread"):
        logging.getLogger(name).addHandler(logging.NullHandler())
        logging.getLogger(name).propagate = False


_quiet_libraries()
