"""A small real shoot on the real disk, for tests."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from xmpsync.disk.files import RealFileSystem
from xmpsync.write.perform import RunOutcome, perform
from xmpsync.write.plan import ChangeKind, FileChange, Plan, sha256
from xmpsync.xmp.edit import Change, apply_change, new_sidecar


def packet(temperature_k: int = 4000, tint: int = 4, exposure_ev: float = 0.25) -> bytes:
    return new_sidecar(Change(temperature_k=temperature_k, tint=tint, exposure_ev=exposure_ev))


def corrected(data: bytes, temperature_k: int = 6000) -> bytes:
    return apply_change(data, Change(temperature_k=temperature_k, tint=-3, exposure_ev=0.5))


def rated(data: bytes, rating: int = 5) -> bytes:
    """Somebody else's edit: a rating (XMP part 2, 8.1), our fields untouched."""
    assert b'rdf:about=""' in data
    return data.replace(
        b'rdf:about=""', b'rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="%d"' % rating, 1
    )


class AnyDisk(RealFileSystem):
    """The whole real disk, for steps that are tried one by one."""

    def __init__(self, **keywords: Any) -> None:
        super().__init__(Path("/"), **keywords)


@dataclass
class Shoot:
    root: Path

    @property
    def state(self) -> Path:
        return self.root / ".xmpsync"

    def put(self, path: str, data: bytes) -> Path:
        target = self.root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
        return target

    def read(self, path: str) -> bytes:
        return (self.root / path).read_bytes()

    def change(self, path: str, after: bytes | None, **note: Any) -> FileChange:
        target = self.root / path
        before = sha256(target.read_bytes()) if target.exists() else None
        return FileChange(path, ChangeKind.SIDECAR, before, after, note)

    def embedding(self, path: str, packet: bytes, **note: Any) -> FileChange:
        return FileChange(path, ChangeKind.EMBEDDED, sha256(self.read(path)), packet, note)

    def run(self, *changes: FileChange, **options: Any) -> RunOutcome:
        return perform(Plan(changes, options, "1.2"), self.root, self.state)

    def everything(self) -> dict[str, bytes]:
        """All files but those of the state folder."""
        return {
            path.relative_to(self.root).as_posix(): path.read_bytes()
            for path in self.root.rglob("*")
            if path.is_file() and self.state not in path.parents
        }
