"""CPU seconds of each stage of measuring a frame: what a stage does itself, without the stages that it calls."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from xmpsync.faces import finder
from xmpsync.faces.detector import Detector
from xmpsync.faces.identity import Identity
from xmpsync.faces.mesh import Mesh
from xmpsync.measuring import worker
from xmpsync.read import decode, overview, partial
from xmpsync.read.raw import RawImage

STAGES: tuple[tuple[str, Any, str], ...] = (
    ("header, Exif", worker, "read_header"),
    ("open, levels", worker, "open_raw"),
    ("profile", worker, "profile_for"),
    ("overview: fit to the preview", worker, "overview"),
    ("embedded preview", overview, "preview"),
    ("cells", RawImage, "cells"),
    ("decoder: lossless pieces", partial, "_lossless_piece"),
    ("decoder: uncompressed rows", partial.PartlyRead, "_plain"),
    ("decoder: LibRaw", decode.libraw, "decode"),
    ("picture for detection", finder, "picture_for_detection"),
    ("detector: looks", Detector, "look"),
    ("detector: second looks", Detector, "second_looks"),
    ("detector: close looks", Detector, "closer"),
    ("mesh", Mesh, "fit"),
    ("identity", Identity, "known"),
    ("skin", worker, "measure_face"),
    ("scene", worker, "scene_of"),
    ("proxy", worker, "_proxy"),
)
REST = "the rest"


@contextmanager
def stages() -> Iterator[dict[str, float]]:
    """Inside the block, what runs in this process is added up by stage."""
    spent: dict[str, float] = defaultdict(float)
    calls: list[str] = [REST]
    last = [time.process_time()]

    def switch() -> None:
        now = time.process_time()
        spent[calls[-1]] += now - last[0]
        last[0] = now

    def timed(name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def inner(*arguments: Any, **keywords: Any) -> Any:
            switch()
            calls.append(name)
            try:
                return function(*arguments, **keywords)
            finally:
                switch()
                calls.pop()

        return inner

    real = [(owner, attribute, getattr(owner, attribute)) for _, owner, attribute in STAGES]
    for name, owner, attribute in STAGES:
        setattr(owner, attribute, timed(name, getattr(owner, attribute)))
    try:
        yield spent
    finally:
        switch()
        for owner, attribute, function in real:
            setattr(owner, attribute, function)
