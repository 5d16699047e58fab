"""Truncated and damaged RAW files: a clear refusal or a picture, never an unplanned exception, a hang or a dead run.

The long suite reads 2,000 files: `python -m pytest tests/read/test_fuzz.py -m long -s`, with real files added when
XMPSYNC_RAW_SAMPLES names a folder of them.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from demo_shoot import dng as demo_dng
from tests.read.raw_files import (
    ASCII,
    BYTE,
    SHORT,
    UNDEFINED,
    XTRANS,
    gain_map,
    mosaic_of,
    opcode_list,
    polynomial,
    vignette,
    write_dng,
    write_maker_raw,
)
from xmpsync.errors import RawUnreadable
from xmpsync.read.raw import open_raw

SECONDS_PER_FILE = 60.0
WORKER = Path(__file__).with_name("fuzz_worker.py")


@dataclass
class Tally:
    """What became of the files."""

    read: int = 0
    refused: int = 0
    worker_died: list[str] = field(default_factory=list)
    hung: list[str] = field(default_factory=list)
    bugs: list[str] = field(default_factory=list)
    slowest_s: float = 0.0

    def __str__(self) -> str:
        return (
            f"{self.read + self.refused + len(self.worker_died) + len(self.hung) + len(self.bugs)} files: {self.read}"
            f" read, {self.refused} refused, {len(self.worker_died)} workers died, {len(self.hung)} hung,"
            f" {len(self.bugs)} unplanned errors; slowest {self.slowest_s:.1f} s"
        )


def run(paths: list[Path], folder: Path) -> Tally:
    """Read all files in worker processes, each worker restarted behind the file that ended it."""
    listing, tally, start = folder / "files.txt", Tally(), 0
    listing.write_text("\n".join(str(p) for p in paths), encoding="utf-8")
    while start < len(paths):
        timeout_s = SECONDS_PER_FILE + 0.5 * (len(paths) - start)
        command = [sys.executable, str(WORKER), str(listing), str(start)]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=False)
            output, hung = done.stdout, False
        except subprocess.TimeoutExpired as error:
            output, hung = (error.stdout or b"").decode("utf-8", "replace"), True
        last = start
        for line in output.splitlines():
            entry = json.loads(line)
            last = entry.get("start", last)
            if "result" not in entry:
                continue
            tally.slowest_s = max(tally.slowest_s, entry["seconds"])
            if entry["result"] in ("read", "refused"):
                setattr(tally, entry["result"], getattr(tally, entry["result"]) + 1)
            else:
                tally.bugs.append(f"{paths[entry['number']].name}: {entry['result']}")
            last = entry["number"] + 1
        if last < len(paths):
            (tally.hung if hung else tally.worker_died).append(paths[last].name)
        start = last + 1
    return tally


def seeds(folder: Path) -> list[Path]:
    """One small file of every kind that can be made here."""
    folder.mkdir()
    rng = np.random.default_rng(8)
    bayer = rng.integers(500, 15000, (96, 128)).astype(np.uint16)
    preview = rng.integers(0, 255, (64, 96, 3)).astype(np.uint8)
    profile = demo_dng.DngProfile(
        color_matrix_1=np.eye(3).tolist(), color_matrix_2=np.eye(3).tolist(), forward_matrix_1=np.eye(3).tolist(),
        as_shot_neutral=(0.5, 1, 0.6), noise_profile=[(1e-4, 1e-7)],
    )  # fmt: skip
    exif = demo_dng.DngExif(time=datetime(2025, 1, 2, 3, 4, 5), exposure_s=0.01, iso=400, serial="1")
    whole = {"profile": profile, "exif": exif, "preview_rgb": preview, "xmp": b"<x:xmpmeta xmlns:x='adobe:ns:meta/'/>"}
    demo_dng.write_dng(folder / "strip.dng", bayer, compress=False, **whole)
    demo_dng.write_dng(folder / "lossless.dng", bayer, compress=True, **whole)
    demo_dng.write_dng(folder / "tiles.dng", bayer, tile=32, orientation=6, **whole)
    demo_dng.write_dng(folder / "big.dng", bayer, compress=False, big_endian=True, **whole)
    size = (48, 64)
    maps = [gain_map([[1.0, 2.0], [1.5, 1.0]], (r, c, 96, 128), pitch=(2, 2)) for r in (0, 1) for c in (0, 1)]
    opcodes = {51009: (UNDEFINED, opcode_list(*maps)), 51022: (UNDEFINED, opcode_list(vignette((0.1, 0, 0, 0, 0))))}
    write_dng(folder / "opcodes.dng", bayer, raw=opcodes, first={700: (BYTE, b"<x/>")})
    write_dng(folder / "six.dng", bayer, cfa=XTRANS, exif={36867: (ASCII, "2024:01:01 00:00:00")})
    write_dng(folder / "linear.dng", rng.integers(0, 16000, (48, 64, 3)).astype(np.uint16))
    curve = opcode_list(*(polynomial((0.0, 0.1, 0.9), plane, size) for plane in range(3)))
    eight = rng.integers(0, 255, (*size, 3)).astype(np.uint8)
    write_dng(folder / "eight.dng", eight, white=255, raw={51009: (UNDEFINED, curve), 50714: (SHORT, (9, 9, 9))})
    write_maker_raw(folder / "maker.nef", bayer, make="NIKON CORPORATION", model="NIKON D850")
    write_maker_raw(folder / "maker.arw", mosaic_of((1, 2, 3), 96, 128), make="SONY", model="ILCE-7M3")
    samples = os.environ.get("XMPSYNC_RAW_SAMPLES")
    real = [p for p in sorted(Path(samples).rglob("*")) if p.suffix.casefold() not in ("", ".md")] if samples else []
    return sorted(folder.iterdir()) + real


def damaged(seed: Path, number: int, folder: Path) -> Path:
    """A copy of a file that ends early, or has bits flipped (mostly in its first 4 KiB), or both, or bytes replaced."""
    rng = random.Random(f"{seed.name} {number}")
    data = bytearray(seed.read_bytes())
    kind = rng.choice(["cut", "flip", "flip", "head", "head", "both", "block"])
    if kind in ("cut", "both"):
        del data[rng.randrange(len(data)) :]
    if kind in ("flip", "both", "head") and data:
        reach = min(len(data), 4096) if kind == "head" else len(data)
        for _ in range(rng.choice([1, 2, 8, 64])):
            data[rng.randrange(reach)] ^= 1 << rng.randrange(8)
    if kind == "block" and data:
        at = rng.randrange(len(data))
        length = min(rng.choice([4, 64, 1024]), len(data) - at)
        data[at : at + length] = rng.choice([b"\xff" * length, bytes(length), rng.randbytes(length)])
    path = folder / f"{seed.stem}-{number}{seed.suffix}"
    path.write_bytes(data)
    return path


def cuts(seed: Path, folder: Path, step: int) -> list[Path]:
    data = seed.read_bytes()
    out = []
    for length in sorted({*range(0, min(len(data), 2200), step), len(data) // 2, len(data) - 1}):
        path = folder / f"{seed.stem}-cut{length}{seed.suffix}"
        path.write_bytes(data[:length])
        out.append(path)
    return out


def check(tally: Tally, *, expected: int) -> None:
    assert tally.bugs == [], "\n".join(tally.bugs[:3])
    assert tally.hung == []
    total = tally.read + tally.refused + len(tally.worker_died)
    assert total == expected


def test_truncation_and_flips_end_in_a_refusal_or_a_picture(tmp_path: Path) -> None:
    kinds = seeds(tmp_path / "seeds")
    made = [p for p in kinds if p.parent == tmp_path / "seeds"]
    target = tmp_path / "damaged"
    target.mkdir()
    paths = [*made, *(damaged(s, n, target) for s in made for n in range(20))]
    paths += [p for s in made for p in cuts(s, target, 97)]
    tally = run(paths, tmp_path)
    check(tally, expected=len(paths))
    assert tally.read >= len(made) and tally.refused > len(paths) // 4
    # LibRaw is a C++ program reading damaged data: it may die, in its own process; here it has not been seen to
    assert len(tally.worker_died) <= len(paths) // 100


@pytest.mark.long
def test_two_thousand_damaged_files(tmp_path: Path) -> None:
    kinds = seeds(tmp_path / "seeds")
    tally, batch, count = Tally(), 100, 0
    while count < 2000:
        target = tmp_path / f"damaged{count}"
        target.mkdir()
        paths = [damaged(kinds[(count + n) % len(kinds)], count + n, target) for n in range(batch)]
        part = run(paths, tmp_path)
        check(part, expected=len(paths))
        for path in paths:
            path.unlink()
        tally = Tally(
            tally.read + part.read, tally.refused + part.refused, tally.worker_died + part.worker_died,
            tally.hung + part.hung, tally.bugs + part.bugs, max(tally.slowest_s, part.slowest_s),
        )  # fmt: skip
        count += batch
    print(f"\n{tally}")
    assert count >= 2000 and tally.refused > 200


def test_a_picture_without_area_is_refused(tmp_path: Path) -> None:
    """Found by the long run: a flipped bit made the shown area as narrow as nothing."""
    (kind,) = [seed for seed in seeds(tmp_path / "seeds") if seed.stem == "opcodes"]
    path = damaged(kind, 1016, tmp_path)
    with pytest.raises(RawUnreadable, match="no area"):
        open_raw(path)
