"""Other settings of the sidecars, through the commands, on copies of the invented shoot."""

from __future__ import annotations

import re
from pathlib import Path

from tests.cli.conftest import REFERENCE, Call

OUR_OWN = 'crs:HasSettings="True" crs:ProcessVersion="11.0"'
DIFFERENT = ('crs:Dehaze="+9"', 'crs:Contrast2012="+20"', 'crs:Vibrance="+4"', 'crs:CameraProfile="Portrait"')
LOOK_CODES = {"look-differs", "local-corrections", "monochrome", "other-camera"}


def write_sidecars(shoot: Path, settings: list[str]) -> dict[str, str]:
    """A sidecar of these settings beside each frame but the reference, in turn; the same plain one there."""
    written = {}
    others = [raw for raw in sorted(shoot.rglob("*.dng")) if raw.stem != REFERENCE]
    for number, raw in enumerate(others):
        written[raw.relative_to(shoot).as_posix()] = settings[number % len(settings)]
    for raw in shoot.rglob("*.dng"):
        held = written.get(raw.relative_to(shoot).as_posix(), "")
        raw.with_suffix(".xmp").write_text(
            '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
            '<rdf:Description rdf:about="" xmlns:crs="http://ns.adobe.com/camera-raw-settings/1.0/" '
            f"{OUR_OWN} {held}/></rdf:RDF></x:xmpmeta>",
            encoding="utf-8",
        )
    return written


def test_every_frame_that_differs_is_named_with_its_property(shoot: Path, call: Call) -> None:
    written = write_sidecars(shoot, list(DIFFERENT))
    assert len(written) >= len(DIFFERENT)
    for command in (
        ("correct", shoot, "--reference", REFERENCE, "--dry-run"),
        ("check", shoot, "--reference", REFERENCE),
    ):
        found = call(*command, "--json").json
        named = {
            frame["frame"]: finding["properties"]
            for frame in found["frames"]
            for finding in frame["findings"]
            if finding["code"] == "look-differs"
        }
        assert named == {frame: [held.partition("=")[0]] for frame, held in written.items()}
        assert {frame for group in found["looks"] for frame in group["frames"]} == written.keys()
        told = call(*command).err
        assert re.search(r"\d frames? differs? from the reference in dehaze \(", told)


def test_nothing_is_said_where_all_sidecars_are_alike(shoot: Path, call: Call) -> None:
    write_sidecars(shoot, [""])
    found = call("correct", shoot, "--reference", REFERENCE, "--dry-run", "--json").json
    assert not [f for frame in found["frames"] for f in frame["findings"] if f["code"] in LOOK_CODES]
    assert found["looks"] == []
