"""Real RAW files, when XMPSYNC_RAW_SAMPLES names a folder of them: cells as LibRaw renders them, and no harm."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numpy as np
import pytest
import rawpy

from xmpsync.errors import RawUnreadable
from xmpsync.read.discover import is_raw_name
from xmpsync.read.header import read_header
from xmpsync.read.opcodes import Shading
from xmpsync.read.picture import preview
from xmpsync.read.raw import RawImage, open_raw

SAMPLES = os.environ.get("XMPSYNC_RAW_SAMPLES")
FILES = sorted(p for p in Path(SAMPLES).rglob("*") if is_raw_name(p.name)) if SAMPLES else []
pytestmark = pytest.mark.skipif(not FILES, reason="XMPSYNC_RAW_SAMPLES names no folder of real RAW files")


def rendered(image: RawImage) -> np.ndarray | None:
    """LibRaw's half-size rendering, linear camera colours, cut to the shown picture as stored; None if it cannot."""
    with rawpy.imread(str(image.header.path)) as raw:
        sizes = raw.sizes
        if raw.raw_type != rawpy.RawType.Flat:
            return None
        half = raw.postprocess(
            half_size=True, gamma=(1, 1), no_auto_bright=True, output_bps=16, user_wb=[1, 1, 1, 1], user_flip=0,
            output_color=rawpy.ColorSpace.raw, adjust_maximum_thr=0,
        )  # fmt: skip
    top, left = image.area.top - sizes.top_margin, image.area.left - sizes.left_margin
    if top % 2 or left % 2:
        return None
    down, across = image.stored_cells
    return half[top // 2 : top // 2 + down, left // 2 : left // 2 + across] / 65535


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_a_real_file_is_read_like_libraw_renders_it_or_refused_by_name(path: Path) -> None:
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    try:
        header = read_header(path)
        assert header.capture.width > 0 and header.capture.height > 0
        preview(header, 600)
        image = open_raw(path, header)
    except RawUnreadable as error:
        assert path.name in str(error) and error.next_step
        return
    finally:
        assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    second = rendered(image)
    if second is None:
        return
    plain = RawImage(**{**vars_of(image), "shading_before": Shading(), "shading_after": Shading()})
    ours = plain.cells()
    stored = ours.camera if image.orientation == 1 else _stored(ours.camera, image.orientation)
    # LibRaw cuts below black and above white, and scales by the lowest white; compare what lies between
    inside = (second > 0.002) & (second < 0.98)
    assert inside.mean() > 0.2
    ratio = np.median(stored[inside] / second[inside])
    assert ratio == pytest.approx(1.0, abs=2e-3)
    assert np.median(np.abs(stored - second)[inside]) < 2e-4


def vars_of(image: RawImage) -> dict[str, object]:
    return {name: getattr(image, name) for name in RawImage.__dataclass_fields__}


def _stored(camera: np.ndarray, orientation: int) -> np.ndarray:
    from demo_shoot.dng import stored_from_upright

    return stored_from_upright(camera, orientation)


def test_most_kinds_were_seen() -> None:
    assert len(FILES) >= 5
