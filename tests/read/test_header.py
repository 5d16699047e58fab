"""What the header says: Exif, DNG tags, packets; against a second metadata reader, and on damaged files."""

from __future__ import annotations

import io
import os
import struct
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from demo_shoot import dng as demo_dng
from tests.read.raw_files import (
    ASCII,
    BYTE,
    LONG,
    RATIONAL,
    SHORT,
    SRATIONAL,
    UNDEFINED,
    mosaic_of,
    opcode_list,
    vignette,
    write_dng,
    write_maker_raw,
    write_tiff,
)
from xmpsync.errors import RawUnreadable
from xmpsync.read.exif import time_s, utc_offset_s
from xmpsync.read.header import RawHeader, read_header

MOSAIC = mosaic_of((1000, 2000, 3000), 40, 60)
PACKET = b"<?xpacket begin='' id='W5M0MpCehiHzreSzNTczkc9d'?><x:xmpmeta xmlns:x='adobe:ns:meta/'/><?xpacket end='w'?>"
EXIF = {
    33434: (RATIONAL, 1 / 125),
    33437: (RATIONAL, 2.8),
    34855: (SHORT, 800),
    36867: (ASCII, "2024:05:04 10:11:12"),
    36868: (ASCII, "2024:05:04 10:11:13"),
    36881: (ASCII, "+02:00"),
    37385: (SHORT, 0x19),  # fired, auto mode (Exif 2.32, tag Flash)
    37386: (RATIONAL, 85.0),
    37521: (ASCII, "045"),
    42033: (ASCII, "SN-17"),
    42036: (ASCII, "Lens 85"),
}


def test_every_capture_setting_comes_out_with_its_unit(tmp_path: Path) -> None:
    capture = read_header(write_dng(tmp_path / "a.dng", MOSAIC, exif=EXIF, orientation=6)).capture
    assert (capture.make, capture.model) == ("Village Optics", "Choir One")
    assert (capture.serial, capture.lens) == ("SN-17", "Lens 85")
    assert capture.exposure_s == pytest.approx(0.008)
    assert (capture.f_number, capture.iso, capture.focal_mm) == (2.8, 800, 85)
    assert capture.flash_fired is True
    expected = datetime(2024, 5, 4, 10, 11, 12, 45000, tzinfo=UTC).timestamp()
    assert capture.time_s == pytest.approx(expected, abs=1e-6)
    assert capture.utc_offset_s == 7200
    assert (capture.orientation, capture.width, capture.height) == (6, 40, 60)


def test_what_the_file_does_not_say_is_none(tmp_path: Path) -> None:
    capture = read_header(write_dng(tmp_path / "a.dng", MOSAIC)).capture
    nothing = (capture.serial, capture.lens, capture.time_s, capture.exposure_s, capture.f_number, capture.iso)
    assert nothing == (None,) * 6 and capture.flash_fired is None and capture.utc_offset_s is None


@pytest.mark.parametrize("tag,value", [(33434, (0, 0)), (33434, (1, 0)), (33437, (0, 1)), (37386, (0, 1)), (34855, 0)])
def test_zeros_that_mean_unknown_are_none(tmp_path: Path, tag: int, value: object) -> None:
    kind = SHORT if tag == 34855 else RATIONAL
    content = value if kind == SHORT else (value,)
    capture = read_header(write_dng(tmp_path / "a.dng", MOSAIC, exif={tag: (kind, content)})).capture
    assert (capture.exposure_s, capture.f_number, capture.focal_mm, capture.iso) == (None,) * 4


@pytest.mark.parametrize(
    "date,sub,expected",
    [
        ("2024:02:29 23:59:59", "9", datetime(2024, 2, 29, 23, 59, 59, 900000)),
        ("2024:02:29 23:59:59", "012345", datetime(2024, 2, 29, 23, 59, 59, 12345)),
        ("2024:02:29 23:59:59", None, datetime(2024, 2, 29, 23, 59, 59)),
        ("2024:02:29 23:59:59", "  ", datetime(2024, 2, 29, 23, 59, 59)),
        ("2024:02:29 23:59:59", "٣", datetime(2024, 2, 29, 23, 59, 59)),
        ("2024-02-29T23:59:59", "5", datetime(2024, 2, 29, 23, 59, 59, 500000)),
        ("0000:00:00 00:00:00", None, None),
        ("    :  :     :  :  ", None, None),
        ("2023:02:29 10:00:00", None, None),
        ("", None, None),
        (None, "5", None),
    ],
)
def test_times_with_sub_seconds(date: str | None, sub: str | None, expected: datetime | None) -> None:
    result = time_s(date, sub)
    assert result == (None if expected is None else pytest.approx(expected.replace(tzinfo=UTC).timestamp(), abs=1e-5))


@pytest.mark.parametrize(
    "text,expected", [("+05:30", 19800), ("-08:00", -28800), ("Z", 0), ("   :  ", None), ("", None), (None, None)]
)
def test_offsets(text: str | None, expected: float | None) -> None:
    assert utc_offset_s(text) == expected
    assert timezone(timedelta(seconds=expected or 0)) is not None


# ---- DNG tags


def test_colour_tags_come_as_numbers_with_rationals_divided(tmp_path: Path) -> None:
    header = read_header(write_dng(tmp_path / "a.dng", MOSAIC, first={50730: (SRATIONAL, -0.75)}, order=">"))
    assert header.is_dng and header.dng_tags is not None
    assert header.dng_tags[50721] == pytest.approx((0.8, -0.2, -0.1, -0.5, 1.3, 0.2, -0.1, 0.2, 0.7))
    assert header.dng_tags[50778] == (21.0,)
    assert header.as_shot_neutral == pytest.approx((0.5, 1.0, 0.6))
    assert header.baseline_exposure_ev == pytest.approx(-0.75)
    assert header.unique_camera_model == "Village Optics Choir One"
    assert header.profile is not None and header.colour_problems == ()


def test_baseline_exposure_and_the_profiles_offset_add_up(tmp_path: Path) -> None:
    first = {50730: (SRATIONAL, 0.5), 51109: (SRATIONAL, -0.2)}
    assert read_header(write_dng(tmp_path / "a.dng", MOSAIC, first=first)).baseline_exposure_ev == pytest.approx(0.3)


def test_a_rational_of_nothing_over_nothing_is_absent(tmp_path: Path) -> None:
    header = read_header(write_dng(tmp_path / "a.dng", MOSAIC, first={50730: (SRATIONAL, ((0, 0),))}))
    assert header.baseline_exposure_ev == 0.0 and header.colour_problems == ()


def test_colour_tags_that_cannot_be_meant_are_told_and_the_rest_stays(tmp_path: Path) -> None:
    header = read_header(write_dng(tmp_path / "a.dng", MOSAIC, first={50728: (RATIONAL, (0.0, 1.0, 0.5))}))
    assert header.as_shot_neutral is None and header.profile is not None
    assert "AsShotNeutral" in header.colour_problems[0]
    singular = read_header(write_dng(tmp_path / "b.dng", MOSAIC, first={50721: (SRATIONAL, (1.0,) * 9)}))
    assert singular.profile is None and singular.as_shot_neutral == pytest.approx((0.5, 1, 0.6))
    assert "ColorMatrix1" in singular.colour_problems[0]


def test_the_white_chromaticity_serves_where_there_is_no_neutral(tmp_path: Path) -> None:
    first = {50728: (ASCII, ""), 50729: (RATIONAL, (0.3127, 0.3290))}  # D65, CIE 015
    del first[50728]
    path = write_dng(tmp_path / "a.dng", MOSAIC, first=first | {50728: (RATIONAL, ((0, 0), (0, 0), (0, 0)))})
    neutral = read_header(path).as_shot_neutral
    # ColorMatrix x XYZ of D65, largest 1 (DNG 1.7, "Translating White Balance xy Coordinates to Camera Neutral")
    matrix = np.array([0.8, -0.2, -0.1, -0.5, 1.3, 0.2, -0.1, 0.2, 0.7]).reshape(3, 3)
    expected = matrix @ np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
    assert neutral == pytest.approx(expected / expected.max(), abs=2e-4)


def test_the_raw_directorys_own_tags_are_the_raws_and_the_largest_picture_is_the_raw(tmp_path: Path) -> None:
    raw = {51022: (UNDEFINED, opcode_list(vignette((1, 0, 0, 0, 0)))), 50714: (SHORT, 512)}
    header = read_header(write_dng(tmp_path / "a.dng", MOSAIC, raw=raw))
    assert header.opcode_list_3 == raw[51022][1] and header.opcode_list_2 is None
    assert header.raw_tags[50714] == (512.0,)


@pytest.mark.parametrize("padding", [b"", b"\0\0\0", b" " * 2000])
def test_the_embedded_packet_comes_out_as_it_is(tmp_path: Path, padding: bytes) -> None:
    header = read_header(write_dng(tmp_path / "a.dng", MOSAIC, first={700: (BYTE, PACKET + padding)}))
    assert header.embedded_xmp is not None and header.embedded_xmp == (PACKET + padding).rstrip(b"\0")
    empty = read_header(write_dng(tmp_path / "b.dng", MOSAIC, first={700: (BYTE, b"\0" * 64)}))
    assert empty.embedded_xmp is None
    assert read_header(write_dng(tmp_path / "c.dng", MOSAIC)).embedded_xmp is None


@pytest.mark.parametrize("name", ["Village Optics Choir One", "7D4448409DC011D1B2455FFDCE74FAD2"])
def test_the_unique_name_stands_for_make_and_model_where_both_are_empty(tmp_path: Path, name: str) -> None:
    first = {271: (ASCII, ""), 272: (ASCII, ""), 50708: (ASCII, name), 50735: (ASCII, "SN-5")}
    capture = read_header(write_dng(tmp_path / "a.dng", MOSAIC, first=first)).capture
    assert capture.body == ("unknown camera/SN-5" if name.isalnum() else f"{name}/SN-5")


# ---- other containers


def cmt(tmp_path: Path, tags: dict) -> bytes:
    full = {256: (LONG, 1), 257: (LONG, 1), **tags}
    return write_tiff(tmp_path / "cmt.tif", full).read_bytes()


def box(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", 8 + len(content)) + kind + content


def test_exif_and_packet_inside_an_iso_base_media_file(tmp_path: Path) -> None:
    blocks = box(b"CMT1", cmt(tmp_path, {271: (ASCII, "Maker"), 272: (ASCII, "Model 3"), 274: (SHORT, 8)})) + box(
        b"CMT2", cmt(tmp_path, EXIF | {40962: (LONG, 6000), 40963: (LONG, 4000)})
    )
    inner = box(b"uuid", bytes(16) + blocks)
    packet = box(b"uuid", bytes.fromhex("be7acfcb97a942e89c71999491e3afac") + PACKET)
    large = struct.pack(">I4sQ", 1, b"free", 24) + bytes(8)  # a box with a 64-bit size
    path = tmp_path / "a.cr3"
    path.write_bytes(box(b"ftyp", b"crx \0\0\0\1crx isom") + large + box(b"moov", inner) + packet)
    header = read_header(path)
    assert (header.capture.make, header.capture.model, header.capture.serial) == ("Maker", "Model 3", "SN-17")
    assert header.capture.exposure_s == pytest.approx(0.008)
    assert (header.capture.orientation, header.capture.width, header.capture.height) == (8, 4000, 6000)
    assert header.embedded_xmp == PACKET and not header.is_dng


def test_exif_and_packet_inside_the_jpeg_of_a_raf(tmp_path: Path) -> None:
    image = Image.new("RGB", (32, 16))
    exif = image.getexif()
    exif[271], exif[272] = "Maker", "X 1"
    exif.get_ifd(34665)[34855] = 400
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif, xmp=PACKET)
    jpeg = out.getvalue()
    head = b"FUJIFILMCCD-RAW 0201FF383501" + b"X 1".ljust(32, b"\0") + bytes(24) + struct.pack(">II", 100, len(jpeg))
    path = tmp_path / "a.raf"
    path.write_bytes(head.ljust(100, b"\0") + jpeg)
    header = read_header(path)
    assert (header.capture.make, header.capture.model, header.capture.iso) == ("Maker", "X 1", 400)
    assert header.embedded_xmp == PACKET


def test_a_makers_tiff_is_read_with_libraws_size(tmp_path: Path) -> None:
    path = write_maker_raw(tmp_path / "a.nef", mosaic_of((900, 2000, 1500), 100, 140), make="NIKON CORPORATION",
                           model="NIKON D850", exif=EXIF)  # fmt: skip
    header = read_header(path)
    assert not header.is_dng and header.dng_tags is None and header.as_shot_neutral is None
    assert (header.capture.model, header.capture.iso) == ("NIKON D850", 800)
    assert (header.capture.width, header.capture.height) == (140, 100)


# ---- a second metadata reader


def second_reader(path: Path) -> dict[str, object]:
    """The same fields through tifffile's own Exif directory (the reader uses exifread for them)."""
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        exif = page.tags["ExifTag"].value if "ExifTag" in page.tags else {}
        ratio = {k: v[0] / v[1] for k in ("ExposureTime", "FNumber", "FocalLength") if (v := exif.get(k)) and v[1]}
        flash = exif.get("Flash")
        return {
            "make": page.tags["Make"].value, "model": page.tags["Model"].value,
            "exposure_s": ratio.get("ExposureTime"), "f_number": ratio.get("FNumber"),
            "focal_mm": ratio.get("FocalLength"), "lens": exif.get("LensModel"),
            "flash_fired": None if flash is None else bool(flash & 1),
            "date": exif.get("DateTimeOriginal"),
        }  # fmt: skip


def agree(header: RawHeader, path: Path) -> None:
    capture, second = header.capture, second_reader(path)
    for name in ("make", "model", "lens", "flash_fired"):
        assert getattr(capture, name) == second[name], name
    for name in ("exposure_s", "f_number", "focal_mm"):
        other = second[name]
        assert getattr(capture, name) == (pytest.approx(other, rel=1e-9) if other else None), name
    if second["date"] and capture.time_s is not None:
        shown = datetime.fromtimestamp(int(capture.time_s), UTC).strftime("%Y:%m:%d %H:%M:%S")
        assert shown == second["date"]


@pytest.mark.parametrize("big_endian", [False, True])
def test_a_second_reader_finds_the_same_in_a_written_frame(tmp_path: Path, big_endian: bool) -> None:
    path = tmp_path / "a.dng"
    exif = demo_dng.DngExif(
        time=datetime(2025, 6, 7, 8, 9, 10, 120000), exposure_s=1 / 60, f_number=4.0, iso=1600, focal_mm=50.0,
        flash_fired=False, serial="77", lens="Normal 50",
    )  # fmt: skip
    demo_dng.write_dng(path, MOSAIC, exif=exif, big_endian=big_endian)
    header = read_header(path)
    agree(header, path)
    assert header.capture.iso == 1600 and header.capture.time_s is not None and header.capture.time_s % 1 > 0.1


SAMPLES = Path(os.environ.get("XMPSYNC_RAW_SAMPLES", "")) if os.environ.get("XMPSYNC_RAW_SAMPLES") else None


@pytest.mark.skipif(SAMPLES is None, reason="XMPSYNC_RAW_SAMPLES names no folder of real RAW files")
def test_a_second_reader_finds_the_same_in_real_files() -> None:
    assert SAMPLES is not None
    compared = 0
    for path in sorted(SAMPLES.rglob("*")):
        if path.suffix.casefold() not in (".dng", ".nef", ".arw", ".cr2"):
            continue
        header = read_header(path)
        with tifffile.TiffFile(path) as tiff:
            if "ExifTag" not in tiff.pages[0].tags:
                continue
        agree(header, path)
        compared += 1
    assert compared >= 5


# ---- files that cannot be read


@pytest.mark.parametrize("content", [b"", b"x", b"II*\0", b"MM\0*\0\0\0\x08", b"\0" * 4096, b"ftypcrx " * 100])
def test_a_file_without_anything_to_read_is_refused_by_name(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "broken.nef"
    path.write_bytes(content)
    with pytest.raises(RawUnreadable, match=r"broken\.nef") as caught:
        read_header(path)
    assert caught.value.next_step and "Nothing was written" in str(caught.value)


def test_a_missing_file_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(RawUnreadable, match=r"gone\.nef.*No such file"):
        read_header(tmp_path / "gone.nef")


def test_a_finished_picture_in_a_dng_is_refused(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "a.dng", MOSAIC, raw={262: (SHORT, 1)})
    with pytest.raises(RawUnreadable, match=r"a\.dng.*without a sensor picture"):
        read_header(path)


def test_a_damaged_tag_leaves_the_others(tmp_path: Path) -> None:
    path = write_dng(tmp_path / "a.dng", MOSAIC, exif=EXIF, first={700: (BYTE, PACKET)})
    data = bytearray(path.read_bytes())
    place = data.index(struct.pack("<HHI", 700, BYTE, len(PACKET)))
    struct.pack_into("<I", data, place + 8, 2**31)  # the packet is said to lie past the end
    path.write_bytes(bytes(data))
    header = read_header(path)
    assert header.embedded_xmp is None and header.capture.iso == 800 and header.profile is not None
