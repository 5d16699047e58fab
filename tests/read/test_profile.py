"""Where a camera's colour comes from: the DNG's tags, a profile file, LibRaw's table, and how good a table match is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rawpy

from tests.read.raw_files import (
    ASCII,
    LONG,
    RATIONAL,
    SHORT,
    SRATIONAL,
    mosaic_of,
    write_dng,
    write_maker_raw,
    write_tiff,
)
from xmpsync.colour.camera import neutral_from_white
from xmpsync.colour.camera_profile import ProfileSource
from xmpsync.errors import WrongUsage
from xmpsync.read.cameras import TableMatch, camera_list, table_match, table_matrix
from xmpsync.read.header import read_header
from xmpsync.read.profile import profile_for, read_camera_profile
from xmpsync.read.raw import open_raw

MOSAIC = mosaic_of((1000, 2000, 3000), 100, 140)
MATRICES = (
    (0.8, -0.2, -0.1, -0.5, 1.3, 0.2, -0.1, 0.2, 0.7),
    (0.9, -0.3, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6),
    (0.85, -0.25, -0.1, -0.45, 1.25, 0.2, -0.1, 0.2, 0.65),
)
FORWARD = (0.6, 0.25, 0.11, 0.2, 0.9, -0.1, 0.0, -0.2, 1.0)


def profile_file(path: Path, order: str = "<", **changes: object) -> Path:
    """A camera profile file: TIFF directory of profile tags, its own magic number (DNG 1.7)."""
    tags = {
        50708: (ASCII, "NIKON D850"), 50936: (ASCII, "Mine"), 50721: (SRATIONAL, MATRICES[1]),
        50722: (SRATIONAL, MATRICES[0]), 50778: (SHORT, 17), 50779: (SHORT, 21), 50964: (SRATIONAL, FORWARD),
        50965: (SRATIONAL, FORWARD),
    }  # fmt: skip
    tags |= {int(k[1:]): v for k, v in changes.items()}
    tags = {k: v for k, v in tags.items() if v is not None}
    # the writer wants a picture's height; profile files have none
    write_tiff(path, tags | {257: (LONG, 1)}, order=order)
    data = bytearray(path.read_bytes())
    data[:4] = b"IIRC" if order == "<" else b"MMCR"
    path.write_bytes(bytes(data))
    return path


def nikon(tmp_path: Path, model: str = "NIKON D850") -> Path:
    return write_maker_raw(tmp_path / "a.nef", MOSAIC, make="NIKON CORPORATION", model=model)


# ---- the DNG's own tags


@pytest.mark.parametrize("codes", [(17, 21), (21, 17)])
def test_two_calibrations_in_any_order_are_sorted_by_temperature(tmp_path: Path, codes: tuple[int, int]) -> None:
    first = {50778: (SHORT, codes[0]), 50779: (SHORT, codes[1]), 50722: (SRATIONAL, MATRICES[1])}
    first |= {50964: (SRATIONAL, FORWARD), 50965: (SRATIONAL, FORWARD)}
    header = read_header(write_dng(tmp_path / "a.dng", MOSAIC, first=first))
    profile, note = profile_for(header, None)
    assert note is None and profile.source is ProfileSource.DNG_TAGS
    low, high = profile.calibrations
    assert low.temperature_k < high.temperature_k
    of_a = MATRICES[0] if codes[0] == 17 else MATRICES[1]
    assert np.ravel(low.camera_from_xyz) == pytest.approx(of_a)
    assert low.xyz_d50_from_balanced is not None


def test_a_bodys_calibration_and_balance_come_from_the_file(tmp_path: Path) -> None:
    body = (1.04, 0.0, 0.01, 0.0, 1.0, 0.0, 0.0, 0.02, 0.97)
    first = {
        50723: (SRATIONAL, body),
        50727: (RATIONAL, (0.9, 1.0, 1.1)),
        50931: (ASCII, "lab"),
        50932: (ASCII, "lab"),
    }
    profile, _ = profile_for(read_header(write_dng(tmp_path / "a.dng", MOSAIC, first=first)), None)
    assert np.ravel(profile.calibrations[0].camera_calibration) == pytest.approx(body)
    assert profile.analog_balance == pytest.approx((0.9, 1.0, 1.1))
    # DNG 1.7, chapter 6: XYZ to camera = AnalogBalance . CameraCalibration . ColorMatrix
    neutral = neutral_from_white(profile, 6500.0, 0.0)
    plain = replace(profile, calibrations=(replace(profile.calibrations[0], camera_calibration=tuple(
        map(tuple, np.eye(3).tolist()))),), analog_balance=(1.0, 1.0, 1.0))  # fmt: skip
    expected = np.diag((0.9, 1.0, 1.1)) @ np.reshape(body, (3, 3)) @ neutral_from_white(plain, 6500.0, 0.0)
    assert neutral == pytest.approx(expected / expected.max(), abs=1e-6)


def test_three_calibrations_of_newer_dng_are_read(tmp_path: Path) -> None:
    first = {
        50778: (SHORT, 17), 50779: (SHORT, 21), 52529: (SHORT, 23), 50722: (SRATIONAL, MATRICES[1]),
        52531: (SRATIONAL, MATRICES[2]),
    }  # fmt: skip
    profile, _ = profile_for(read_header(write_dng(tmp_path / "a.dng", MOSAIC, first=first)), None)
    assert [c.temperature_k for c in profile.calibrations] == sorted(c.temperature_k for c in profile.calibrations)
    assert np.ravel(profile.calibrations[1].camera_from_xyz) == pytest.approx(MATRICES[2])


# ---- a profile file


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_profile_file_serves_the_camera_it_names(tmp_path: Path, order: str) -> None:
    given = read_camera_profile(profile_file(tmp_path / "p.dcp", order))
    assert given.unique_camera_model == "NIKON D850"
    raw = open_raw(nikon(tmp_path))
    profile, note = profile_for(raw.header, raw, [given])
    assert note is None and profile.source is ProfileSource.PROFILE_FILE and len(profile.calibrations) == 2
    assert np.ravel(profile.calibrations[0].camera_from_xyz) == pytest.approx(MATRICES[1])
    other = open_raw(nikon(tmp_path, "NIKON D750"))
    assert profile_for(other.header, other, [given])[0].source is ProfileSource.TABLE


def test_a_profile_file_wins_over_a_dngs_tags_and_keeps_the_bodys_calibration(tmp_path: Path) -> None:
    given = read_camera_profile(profile_file(tmp_path / "p.dcp", t50708=(ASCII, "Village Optics Choir One")))
    first = {50723: (SRATIONAL, (1.1, 0, 0, 0, 1, 0, 0, 0, 0.9)), 50727: (5, (1.2, 1.0, 0.8))}
    header = read_header(write_dng(tmp_path / "a.dng", MOSAIC, first=first))
    profile, _ = profile_for(header, None, [given])
    assert profile.source is ProfileSource.PROFILE_FILE
    assert profile.analog_balance == pytest.approx((1.2, 1.0, 0.8))
    assert profile.calibrations[0].camera_calibration[0][0] == pytest.approx(1.1)


@pytest.mark.parametrize(
    "content,words",
    [
        (b"", "not a camera profile"),
        (b"II*\0" + bytes(40), "not a camera profile"),
        (b"IIRC", "not a camera profile"),
        (b"IIRC\xff\xff\xff\xff", "not a camera profile"),
    ],
)
def test_a_file_that_is_no_profile_is_wrong_usage(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "p.dcp").write_bytes(content)
    with pytest.raises(WrongUsage, match=rf"p\.dcp.*{words}"):
        read_camera_profile(tmp_path / "p.dcp")


def test_a_profile_without_camera_or_with_bad_numbers_is_wrong_usage(tmp_path: Path) -> None:
    with pytest.raises(WrongUsage, match="which camera"):
        read_camera_profile(profile_file(tmp_path / "p.dcp", t50708=None))
    with pytest.raises(WrongUsage, match="ColorMatrix1"):
        read_camera_profile(profile_file(tmp_path / "p.dcp", t50721=(SRATIONAL, (1.0,) * 9)))
    with pytest.raises(WrongUsage, match="cannot be read"):
        read_camera_profile(tmp_path / "gone.dcp")


# ---- LibRaw's table


def test_the_tables_matrix_is_libraws_own(tmp_path: Path) -> None:
    path = nikon(tmp_path)
    with rawpy.imread(str(path)) as raw:
        expected = np.array(raw.rgb_xyz_matrix)[:3]
    image = open_raw(path)
    profile, note = profile_for(image.header, image)
    assert note is None and profile.source is ProfileSource.TABLE
    assert np.array(profile.calibrations[0].camera_from_xyz) == pytest.approx(expected)
    assert table_matrix("NIKON CORPORATION", "NIKON D850") == pytest.approx(expected)


@pytest.mark.parametrize(
    "make,model",
    [
        ("Canon", "Canon EOS R6"),
        ("Canon", "Canon EOS R6 Mark II"),
        ("Canon", "Canon EOS 450D"),
        ("NIKON CORPORATION", "NIKON Z 6"),
        ("NIKON CORPORATION", "NIKON Z 6_2"),
        ("NIKON CORPORATION", "NIKON Z 9"),
        ("NIKON CORPORATION", "NIKON D850"),
        ("SONY", "ILCE-7M4"),
        ("SONY", "ILCE-7RM3A"),
        ("FUJIFILM", "X-T5"),
        ("Panasonic", "DC-S5M2"),
        ("OLYMPUS IMAGING CORP.", "E-M1MarkII"),
        ("OM Digital Solutions", "OM-1"),
        ("OM Digital Solutions", "OM-1MarkII"),
        ("RICOH IMAGING COMPANY, LTD.", "PENTAX K-3 Mark III"),
        ("LEICA CAMERA AG", "LEICA M10"),
    ],
)
def test_bodies_that_libraw_lists_match_exactly(make: str, model: str) -> None:
    assert table_match(make, model) is TableMatch.EXACT


@pytest.mark.parametrize(
    "make,model",
    [("Canon", "Canon EOS R6 Mark IX"), ("SONY", "ILCE-7M9"), ("NIKON CORPORATION", "NIKON Z 69")],
)
def test_a_body_libraw_has_never_heard_of_gets_an_older_ones_matrix_with_a_warning(make: str, model: str) -> None:
    assert table_match(make, model) is TableMatch.PREFIX


def test_the_warning_names_the_body_and_the_way_out(tmp_path: Path) -> None:
    raw = open_raw(nikon(tmp_path, "NIKON Z 69"))
    profile, note = profile_for(raw.header, raw)
    assert profile.source is ProfileSource.TABLE_PREFIX
    assert note is not None and "NIKON Z 69" in note and "--camera-profile" in note


def test_a_camera_nobody_knows_has_no_calibration_and_says_so(tmp_path: Path) -> None:
    path = write_maker_raw(tmp_path / "a.nef", MOSAIC, make="Village Optics", model="Choir One")
    raw = open_raw(path)
    profile, note = profile_for(raw.header, raw)
    assert profile.source is ProfileSource.NONE and profile.calibrations == ()
    assert note is not None and "Choir One" in note and "--camera-profile" in note
    assert table_match("Village Optics", "Choir One") is TableMatch.NONE
    assert table_matrix("", "") is None


def test_libraws_list_of_cameras_is_found() -> None:
    names = camera_list()
    assert len(names) > 1000 and any("Canon EOS R6" in name for name in names)


def test_names_beyond_ascii_or_too_long_do_no_harm() -> None:
    assert table_match("Ümläut", "ß" * 5000) is TableMatch.NONE
    assert table_match("Canon\0", "\udcff") is TableMatch.NONE


def test_a_dng_without_usable_colour_tags_falls_back_to_the_table_and_says_so(tmp_path: Path) -> None:
    first = {271: (ASCII, "NIKON CORPORATION"), 272: (ASCII, "NIKON D850"), 50721: (SRATIONAL, (1.0,) * 9)}
    header = read_header(write_dng(tmp_path / "a.dng", MOSAIC, first=first))
    profile, note = profile_for(header, None)
    assert profile.source is ProfileSource.TABLE
    assert np.array(profile.calibrations[0].camera_from_xyz) == pytest.approx(
        table_matrix("NIKON CORPORATION", "NIKON D850")
    )
    assert note is not None and "ColorMatrix1" in note


def test_damaged_profile_files_are_wrong_usage_or_a_profile(tmp_path: Path) -> None:
    whole = profile_file(tmp_path / "p.dcp").read_bytes()
    rng = np.random.default_rng(3)
    outcomes = {True: 0, False: 0}
    for number in range(300):
        data = bytearray(whole[: rng.integers(4, len(whole))] if number % 3 == 0 else whole)
        for _ in range(number % 5):
            data[rng.integers(len(data))] ^= 1 << int(rng.integers(8))
        path = tmp_path / "q.dcp"
        path.write_bytes(data)
        try:
            outcomes[bool(read_camera_profile(path).unique_camera_model)] += 1
        except WrongUsage as error:
            assert "q.dcp" in error.what
            outcomes[False] += 1
    assert min(outcomes.values()) > 20
