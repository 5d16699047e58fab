"""One frame of a shoot as it is on the disk: its files, and its sidecar as it was read."""

from __future__ import annotations

from dataclasses import dataclass

from xmpsync.read.discover import FrameFiles
from xmpsync.xmp.regions import Regions
from xmpsync.xmp.settings import DevelopSettings


@dataclass(frozen=True, slots=True)
class SourceFrame:
    """A frame's files and the sidecar as it is now."""

    files: FrameFiles
    sidecar: bytes | None
    settings: DevelopSettings | None
    regions: Regions | None = None

    @property
    def frame_id(self) -> str:
        return self.files.frame_id
