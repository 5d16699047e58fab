"""Which reference a frame's other settings are compared with, and how frames are grouped."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from tests.xmp.samples import attributes
from xmpsync.colour.camera_profile import Calibration, CameraProfile
from xmpsync.measurement import FrameMeasurement
from xmpsync.measuring.source import SourceFrame
from xmpsync.plan.standing import Baseline, Standing
from xmpsync.read.discover import FrameFiles
from xmpsync.records import Capture, Develop
from xmpsync.shoot.look_findings import look_groups, with_looks
from xmpsync.solve.problem import Reference, Request
from xmpsync.solve.solution import Basis, Code, FaceResult, FrameResult, Solution
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.settings import read_settings

PROFILE = CameraProfile((Calibration(6500.0, ((0.9, -0.2, 0.0), (-0.4, 1.2, 0.2), (0.0, 0.1, 0.6))),))
TIFF = 'xmlns:tiff="http://ns.adobe.com/tiff/1.0/"'


def standing(frame_id: str, held: str | bytes) -> Standing:
    """A frame with a sidecar: the attributes of a small packet, or a whole one."""
    data = attributes(held) if isinstance(held, str) else held
    path = Path(frame_id)
    return Standing(
        SourceFrame(
            FrameFiles(raw=path, sidecar=path.with_suffix(".xmp"), new_sidecar=path, frame_id=frame_id), data, None
        ),
        FrameMeasurement(Capture("Boatworks", "B 2"), "", PROFILE, None),
        read_settings(Packet.parse(data)),
        Baseline(),
        PROFILE,
        Develop(5000, 0, 0),
    )


def result(frame_id: str, *persons: str) -> FrameResult:
    faces = tuple(FaceResult(f"{frame_id}/{p}", p, 1.0, 0.0, 0.0, 0.0, 0.0) for p in persons)
    return FrameResult(frame_id, Basis.FACES, 0, None, 0.0, 0.0, 0.0, faces)


def looked(frames: Mapping[str, tuple[str | bytes, tuple[str, ...]]], *references: Reference) -> Solution:
    stand = {frame_id: standing(frame_id, held) for frame_id, (held, _) in frames.items()}
    results = tuple(result(frame_id, *persons) for frame_id, (_, persons) in frames.items())
    return with_looks(Solution(results, (), ()), Request((), references), stand)


def named(solution: Solution) -> dict[str, list[tuple[Code, tuple[str, ...]]]]:
    return {f.frame_id: [(x.code, x.properties) for x in f.findings] for f in solution.frames if f.findings}


def test_a_frame_is_compared_with_the_references_of_its_own_persons() -> None:
    frames = {
        "refA": ('crs:Dehaze="+9"', ("Ada",)),
        "refB": ("", ("Ben",)),
        "ada": ('crs:Dehaze="+9"', ("Ada",)),
        "ben": ("", ("Ben",)),
        "both": ("", ("Ada", "Ben")),
        "hall": ('crs:Dehaze="+9"', ()),
    }
    found = looked(frames, Reference("Ada", "refA"), Reference("Ben", "refB"))
    dehaze = [(Code.LOOK_DIFFERS, ("crs:Dehaze",))]
    # a frame of nobody is compared with all references
    assert named(found) == {"both": dehaze, "hall": dehaze}
    advice = {f.frame_id: f.findings[0].advice for f in found.frames if f.findings}
    assert "reference refA in dehaze" in advice["both"]
    assert "reference refB in dehaze" in advice["hall"]


def test_a_reference_for_everybody_serves_the_persons_in_it() -> None:
    frames = {"ref": ("", ("Ada", "Ben")), "one": ('crs:Vibrance="5"', ("Ben",))}
    assert named(looked(frames, Reference(None, "ref"))) == {"one": [(Code.LOOK_DIFFERS, ("crs:Vibrance",))]}


def test_numbers_as_reference_have_no_sidecar_to_compare_with() -> None:
    assert named(looked({"one": ('crs:Vibrance="5"', ("Ada",))}, Reference("Ada", lab_d50=(60.0, 15.0, 18.0)))) == {}


def test_equal_differences_are_one_group_the_largest_first() -> None:
    hazy, grey = 'crs:Dehaze="5" crs:Contrast2012="9"', 'crs:ConvertToGrayscale="True"'
    frames = {"ref": ("", ()), "a": (grey, ()), "b": (hazy, ()), "c": (hazy.replace("9", "8"), ())}
    groups = look_groups(looked(frames, Reference(None, "ref")).frames)
    assert [(g.code, g.words, g.frame_ids) for g in groups] == [
        (Code.LOOK_DIFFERS, ("contrast", "dehaze"), ("b", "c")),
        (Code.LOOK_DIFFERS, ("black and white",), ("a",)),
        (Code.MONOCHROME, ("black and white",), ("a",)),
    ]
    assert groups[0].sentence() == "2 frames: contrast, dehaze (b, c)"
    assert groups[0].sentence(n_named=1) == "2 frames: contrast, dehaze (b, ...)"


def test_a_sidecar_made_for_another_model_is_named() -> None:
    frames = {
        "ref": ("", ()),
        "same": (f'{TIFF} tiff:Model="BOATWORKS B2"', ()),
        "other": (f'{TIFF} tiff:Model="Boatworks C7"', ()),
    }
    assert named(looked(frames, Reference(None, "ref"))) == {"other": [(Code.OTHER_CAMERA, ("tiff:Model",))]}
