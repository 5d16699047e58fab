"""Bounds hold before anything is decoded, in a worker, and RAW files are never changed."""

from __future__ import annotations

import hashlib
import os
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from demo_shoot import dng as demo_dng
from tests.read.raw_files import LONG, mosaic_of, write_dng
from xmpsync.errors import RawUnreadable
from xmpsync.read.fingerprint import fingerprint
from xmpsync.read.header import read_header
from xmpsync.read.limits import ReadLimits, check_size, printable
from xmpsync.read.picture import preview
from xmpsync.read.raw import open_raw

MOSAIC = mosaic_of((1000, 2000, 3000), 80, 120)


@pytest.mark.parametrize("size", [(0, 0), (21, 100), (100, 21), (30000, 30000), (100000, 100), (-1, 5)])
def test_sizes_no_camera_makes_are_refused_by_name(size: tuple[int, int]) -> None:
    with pytest.raises(RawUnreadable, match=r"a\.nef.*no camera makes"):
        check_size(Path("a.nef"), *size)


@pytest.mark.parametrize("size", [(22, 30), (6000, 4000), (16000, 25000), (11662, 1280)])
def test_sizes_that_cameras_make_pass(size: tuple[int, int]) -> None:
    check_size(Path("a.nef"), *size)


def test_a_header_that_claims_a_huge_sensor_costs_no_memory(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "a.dng", MOSAIC)
    data = bytearray(path.read_bytes())
    for tag, value in ((256, 60000), (257, 50000)):
        place = data.index(struct.pack("<HHI", tag, LONG, 1) + struct.pack("<I", 120 if tag == 256 else 80))
        struct.pack_into("<I", data, place + 8, value)
    path.write_bytes(bytes(data))
    with pytest.raises(RawUnreadable, match=r"a\.dng"):
        open_raw(path)


def test_names_can_be_shown_whatever_bytes_they_hold() -> None:
    assert printable(Path("card/a.nef")) == "card/a.nef"
    assert printable("\udcff\x1b[31m\n.nef") == "\\xff\\x1b[31m\\n.nef"
    assert printable("ä 婚礼.nef") == "ä 婚礼.nef"
    assert printable("\ud800.nef") == "\\ud800.nef"


@pytest.mark.skipif(sys.platform == "win32", reason="no address-space limit there")
def test_a_worker_has_one_thread_bounded_memory_and_silent_decoders() -> None:
    program = """
import os, resource, sys
import numpy as np
from xmpsync.read.limits import ReadLimits, prepare_worker
prepare_worker(ReadLimits(max_worker_memory_bytes=512 * 1024**2))
assert os.environ["OMP_NUM_THREADS"] == "1"
os.write(2, b"a decoder complains")
try:
    np.ones(1024**3, np.uint8)
except MemoryError:
    print("refused")
else:
    print("allowed")
np.ones(1024**2, np.uint8)
print("goes on")
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True)
    if sys.platform.startswith("linux"):
        assert done.stdout.split("\n")[:2] == ["refused", "goes on"]
    assert done.stderr == ""
    assert ReadLimits().max_worker_memory_bytes > 1024**3


def test_reading_leaves_the_raw_file_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    demo_dng.write_dng(path, MOSAIC, preview_rgb=None, xmp=b"<x/>")
    path.chmod(0o440)
    before = (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mode, path.stat().st_mtime_ns)
    header = read_header(path)
    open_raw(path, header).cells(reduce=2)
    preview(header)
    fingerprint(path)
    after = (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mode, path.stat().st_mtime_ns)
    assert before == after
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads the open files from /proc")
def test_raw_files_are_opened_for_reading_only_and_closed(tmp_path: Path) -> None:
    """Every open() from Python, seen through its audit hook; LibRaw opens a stream for reading by itself."""
    path = write_dng(tmp_path / "a.dng", MOSAIC)
    flags = []

    def watch(event: str, arguments: tuple[object, ...]) -> None:
        if event == "open" and str(arguments[0]) == str(path):
            flags.append(int(arguments[2]))  # type: ignore[call-overload]

    sys.addaudithook(watch)
    cells = open_raw(path).cells()
    assert flags and all(flag & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC) == 0 for flag in flags)
    held = [fd.readlink() for fd in Path("/proc/self/fd").iterdir() if fd.is_symlink()]
    assert path not in held
    path.unlink()
    assert cells.camera.shape == (40, 60, 3) and cells.camera.sum() > 0  # arrays do not die with the file


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="these systems refuse such names")
def test_names_that_are_not_utf8_are_read_like_others(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"caf\xe9.dng")
    demo_dng.write_dng(path, MOSAIC, preview_rgb=np.full((80, 120, 3), 99, np.uint8), orientation=6)
    assert read_header(path).capture.height == 120
    assert open_raw(path).cells().camera.shape == (60, 40, 3)
    shown = preview(path)
    assert shown is not None and shown.shape == (120, 80, 3)
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(RawUnreadable, match=r"caf\\xe9\.dng"):
        open_raw(path)
