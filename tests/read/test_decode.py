"""Files that cannot be decoded: each is refused by name, with its own reason and its own way out."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import rawpy

from tests.read.raw_files import (
    BYTE,
    LONG,
    SHORT,
    UNDEFINED,
    mosaic_of,
    opcode_list,
    write_dng,
    write_maker_raw,
)
from xmpsync.errors import RawUnreadable
from xmpsync.read import formats, libraw
from xmpsync.read.decode import _completed
from xmpsync.read.raw import open_raw
from xmpsync.records import Capture

MOSAIC = mosaic_of((1000, 2000, 3000), 60, 80)


def refused(path: Path) -> RawUnreadable:
    with pytest.raises(RawUnreadable, match=rf"{path.name}") as caught:
        open_raw(path)
    assert caught.value.next_step and "Nothing was written" in str(caught.value)
    return caught.value


@pytest.mark.parametrize(
    "raw,kind",
    [
        ({259: (SHORT, 52546)}, formats.JPEG_XL),
        ({259: (SHORT, 9)}, formats.VC5),
        ({339: (SHORT, 3)}, formats.FLOATING_POINT),
    ],
)
def test_formats_told_by_their_tags_get_their_own_way_out(tmp_path: Path, raw: dict, kind: formats.Undecodable) -> None:
    error = refused(write_dng(tmp_path / "a.dng", MOSAIC, raw=raw))
    assert kind.name in error.what and error.next_step == kind.way_out


@pytest.mark.parametrize("make,kind", [("NIKON CORPORATION", formats.HIGH_EFFICIENCY), ("Canon", formats.OTHER)])
def test_a_format_that_libraw_calls_unsupported_gets_the_way_out_of_its_maker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make: str, kind: formats.Undecodable
) -> None:
    path = write_maker_raw(tmp_path / "a.nef", MOSAIC, make=make, model="X")

    def unsupported(path: Path) -> None:
        raise libraw._reason(path, rawpy.LibRawFileUnsupportedError(b"Unsupported"))

    monkeypatch.setattr(libraw, "decode", unsupported)
    assert refused(path).next_step == kind.way_out


@pytest.mark.parametrize(
    "error,words",
    [
        (rawpy.LibRawIOError(b"Input/output error"), "ends too early"),
        (rawpy.LibRawDataError(b"Corrupted data"), "damaged.*Corrupted data"),
        (rawpy.LibRawTooBigError(b"too big"), "too large"),
        (rawpy.LibRawUnsufficientMemoryError(b"no memory"), "too large"),
        (rawpy.LibRawUnspecifiedError("text"), "damaged.*text"),
        (rawpy.LibRawUnspecifiedError(), "damaged.*LibRawUnspecifiedError"),
    ],
)
def test_every_reason_of_libraw_is_put_in_words(error: Exception, words: str) -> None:
    found = libraw._reason(Path("card/a.nef"), error)
    assert isinstance(found, RawUnreadable) and found.next_step
    assert re.search(rf"card/a\.nef.*{words}", found.what)
    assert "b'" not in found.what


def test_pixels_that_end_too_early_are_refused_and_say_so(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "a.dng", MOSAIC)
    path.write_bytes(path.read_bytes()[:-2000])
    assert "ends too early" in refused(path).what


def test_a_file_that_goes_away_is_refused_by_name(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "a.dng", MOSAIC)
    from xmpsync.read.header import read_header

    header = read_header(path)
    path.unlink()
    with pytest.raises(RawUnreadable, match=r"a\.dng.*No such file"):
        open_raw(path, header)


def test_memory_that_runs_out_is_the_frames_trouble_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def greedy(path: Path) -> None:
        raise MemoryError

    monkeypatch.setattr(libraw, "decode", greedy)
    path = write_maker_raw(tmp_path / "a.nef", MOSAIC, make="NIKON CORPORATION", model="X")
    assert "too large" in refused(path).what


@pytest.mark.parametrize(
    "raw",
    [
        {33421: (SHORT, (2, 4)), 33422: (BYTE, bytes(8))},
        {33422: (BYTE, bytes((0, 1, 1, 1)))},
        {50711: (SHORT, 2)},
    ],
)
def test_patterns_that_are_not_red_green_blue_are_refused(tmp_path: Path, raw: dict) -> None:
    refused(write_dng(tmp_path / "a.dng", MOSAIC, raw=raw))


def test_a_damaged_list_of_corrections_is_refused(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "a.dng", MOSAIC, raw={51009: (UNDEFINED, b"\0\0\0\x05")})
    assert "corrections" in refused(path).what


def test_a_correction_that_is_not_known_is_noted(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "a.dng", MOSAIC, raw={51022: (UNDEFINED, opcode_list((10, bytes(40))))})
    (note,) = open_raw(path).notes
    assert "opcodes 10" in note


def test_eight_bit_linear_pictures_of_other_planes_or_damaged_ones_are_refused(tmp_path: Path) -> None:
    eight = np.zeros((40, 60, 3), np.uint8)
    refused(write_dng(tmp_path / "a.dng", eight, white=255, raw={277: (SHORT, 1), 258: (SHORT, 8)}))
    assert "damaged" in refused(write_dng(tmp_path / "b.dng", eight, white=255, raw={259: (SHORT, 7)})).what
    assert "no camera" in refused(write_dng(tmp_path / "c.dng", eight, white=255, raw={256: (LONG, 10**6)})).what


def test_a_white_level_that_is_absent_is_the_largest_number(tmp_path: Path) -> None:
    image = open_raw(write_dng(tmp_path / "a.dng", MOSAIC, raw={50717: (LONG, 0)}))
    assert image.sensor.white_dn.max() == 65535


def test_a_crop_that_does_not_fit_falls_back_to_the_whole(tmp_path: Path) -> None:
    raw = {50719: (LONG, (70, 50)), 50720: (LONG, (60, 40))}
    image = open_raw(write_dng(tmp_path / "a.dng", MOSAIC, raw=raw))
    assert (image.area.height, image.area.width) == (60, 80)


def test_a_six_by_six_pattern_without_aligned_cells_is_read_in_whole_periods(tmp_path: Path) -> None:
    # columns of one colour: no 3 x 3 cell on any start holds all three
    cfa = bytes((0, 0, 0, 1, 1, 2) * 6)
    mosaic = mosaic_of((1000, 2000, 3000), 60, 84, cfa)
    cells = open_raw(write_dng(tmp_path / "a.dng", mosaic, cfa=cfa)).cells()
    assert cells.camera.shape == (10, 14, 3)
    assert cells.camera == pytest.approx(np.broadcast_to(np.array([1000, 2000, 3000]) / 16383, (10, 14, 3)))


def test_what_only_libraw_knows_completes_a_capture_without_exif() -> None:
    decoded = libraw.Decoded(
        None, None, None, (), 0.0, (), None, None, exposure_s=0.1, f_number=4.0, iso=200.0, time_s=5.0  # type: ignore[arg-type]
    )  # fmt: skip
    done = _completed(Capture(width=9, height=8), decoded)
    assert done == Capture(width=9, height=8, exposure_s=0.1, f_number=4.0, iso=200.0, time_s=5.0)
    assert _completed(Capture(make="Canon"), decoded) is None
