"""The shipped model files are the ones described, with their licences, and are loaded only when needed."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from importlib import resources

import pytest

from xmpsync.errors import OwnCheckFailed
from xmpsync.faces import runtime

MODELS = resources.files("xmpsync.faces") / "models"
# Of the files as converted; `tools/convert_models.py` compares them with a fresh conversion from the wheels.
SHA256 = {
    "centerface_int8.onnx": "adf590748f7eecaf550c5a752a59da78ff83bdc4c504a7e7432a3a5475d82ba1",
    "face_identity_fp16w.onnx": "79587943095bc769d36e4de2049e81e433fb7357d052bbe2f952633a6fba050b",
    "face_landmark.onnx": "78d2758e46e338e14aca8a43abed8fcdfd2bfbd7e0cd4d9c2414c6970e839b14",
}


@pytest.mark.parametrize("name", SHA256)
def test_the_model_files_are_the_ones_converted(name: str) -> None:
    assert hashlib.sha256((MODELS / name).read_bytes()).hexdigest() == SHA256[name]
    assert name in (MODELS / "PROVENANCE.md").read_text(encoding="utf-8")


def test_each_model_comes_with_its_licence() -> None:
    assert "Permission is hereby granted" in (MODELS / "LICENSE.centerface.txt").read_text(encoding="utf-8")
    assert "CC0 1.0 Universal" in (MODELS / "LICENSE.face_identity.txt").read_text(encoding="utf-8")
    apache = (MODELS / "LICENSE.face_landmark.txt").read_text(encoding="utf-8")
    assert "Apache License" in apache and "Version 2.0, January 2004" in apache


def test_a_missing_or_damaged_model_says_what_to_do() -> None:
    with pytest.raises(OwnCheckFailed, match=r"missing.*Install xmpsync again"):
        runtime.session("no_such.onnx", 1)
    with pytest.raises(OwnCheckFailed, match="cannot be loaded"):
        runtime.session("PROVENANCE.md", 1)


def test_importing_the_finder_loads_neither_runtime_nor_identity_model() -> None:
    code = "import sys, xmpsync.faces.finder; print(sorted({'onnxruntime', 'scipy'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
