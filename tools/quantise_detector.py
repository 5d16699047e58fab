"""The shipped 8-bit detector, made again from the 16-bit one that `convert_models.py` makes, and compared.

Development only, in the environment of `convert_models.py` with scikit-image, matplotlib, pillow and sympy besides:

    .convert/bin/python tools/quantise_detector.py [--write]

Static quantisation in QDQ form: weights per channel in 7 bits, activations in 8. Seven, because without VNNI the
runtime adds pairs of products in 16 bits: with 8-bit weights they saturate, and the answer depends on the processor.
Upsampling convolutions have no 8-bit kernel and stay as they are. Ranges come from openly licensed pictures only: the
portraits of two women (NASA; US Navy) laid into scikit-image's pictures without people, at three sizes, levels, casts.

Ranges depend on the pictures, so a file made again differs a little from the shipped one: both are compared with the
16-bit network on pictures that served for no range. Exit code 0 when the made one is as near as the shipped one, within
`SLACK`.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import onnx
import onnxruntime
from convert_models import DETECTOR, MODELS, detector, fetched
from onnxruntime.quantization import CalibrationDataReader, QuantFormat, QuantType, quantize_static
from onnxruntime.quantization.shape_inference import quant_pre_process
from PIL import Image

NAME = "centerface_int8.onnx"
SLACK = 1.5
SIDES = (1024, 768, 512)
CASTS = ((1.0, 1.0, 1.0), (1.5, 1.0, 0.55), (0.75, 1.25, 0.75), (1.25, 0.75, 1.25))
LEVELS_EV = (0.0, -1.0, 1.0)
GROUNDS = (
    "brick",
    "chelsea",
    "coffee",
    "coins",
    "grass",
    "gravel",
    "moon",
    "page",
    "rocket",
    "text",
    "hubble_deep_field",
)


def pictures(count: int, seed: int) -> Iterator[np.ndarray]:
    """Inputs (1, 3, h, w), multiples of 32; three in four show one to four faces."""
    import matplotlib.cbook
    import skimage.data

    rng = np.random.default_rng(seed)
    with matplotlib.cbook.get_sample_data("grace_hopper.jpg", asfileobj=True) as file:
        portraits = [(Image.open(file).convert("RGB"), 195)]
    portraits.append((Image.fromarray(skimage.data.astronaut()), 116))
    for i in range(count):
        side = SIDES[i % 3]
        size = (side, side * 3 // 4) if i % 2 else (side * 3 // 4, side)
        ground = Image.fromarray(getattr(skimage.data, GROUNDS[i % len(GROUNDS)])()).convert("RGB").resize(size)
        for _ in range(int(rng.integers(1, 5)) if i % 4 else 0):
            portrait, own_px = portraits[int(rng.integers(2))]
            zoom = float(np.exp(rng.uniform(np.log(16), np.log(0.7 * size[1])))) / own_px
            small = portrait.resize((int(portrait.width * zoom) + 1, int(portrait.height * zoom) + 1))
            small = small.rotate(float(rng.normal(0, 15)), Image.Resampling.BILINEAR)
            ground.paste(small, (int(rng.uniform(-0.2, 0.8) * size[0]), int(rng.uniform(-0.2, 0.6) * size[1])))
        linear = (np.asarray(ground) / 255.0) ** 2.2 * CASTS[i % 4] * 2.0 ** LEVELS_EV[i // 4 % 3]
        linear += rng.normal(0, 0.01, linear.shape) * np.sqrt(linear)
        yield (np.clip(linear, 0, 1) ** (1 / 2.2) * 255).round().astype(np.float32).transpose(2, 0, 1)[None]


class Reader(CalibrationDataReader):
    """Calibration pictures, one at a time."""

    def __init__(self, name: str, count: int) -> None:
        self._rest = ({name: picture} for picture in pictures(count, seed=20))

    def get_next(self) -> dict[str, np.ndarray] | None:
        return next(self._rest, None)


def quantised(model: bytes, folder: Path, count: int) -> bytes:
    """The 8-bit network."""
    half, plain, target = folder / "half.onnx", folder / "plain.onnx", folder / NAME
    half.write_bytes(model)
    quant_pre_process(str(half), str(plain), skip_symbolic_shape=True)
    loaded = onnx.load(str(plain))
    for i, node in enumerate(loaded.graph.node):
        node.name = node.name or f"{node.op_type}_{i}"
    if loaded.opset_import[0].version < 13:  # scales per channel need it
        loaded = onnx.version_converter.convert_version(loaded, 13)
    onnx.save(loaded, str(plain))
    quantize_static(
        str(plain),
        str(target),
        Reader(loaded.graph.input[0].name, count),
        quant_format=QuantFormat.QDQ,
        per_channel=True,
        reduce_range=True,
        op_types_to_quantize=["Conv", "Add", "Relu"],
        activation_type=QuantType.QUInt8,
        weight_type=QuantType.QInt8,
    )
    return target.read_bytes()


def heats(model: bytes, held_out: list[np.ndarray]) -> list[np.ndarray]:
    session = onnxruntime.InferenceSession(model, providers=["CPUExecutionProvider"])
    name = session.get_inputs()[0].name
    return [np.asarray(session.run(None, {name: picture})[0]) for picture in held_out]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true", help="replace the shipped file")
    parser.add_argument("--count", type=int, default=60, help="calibration pictures")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        half = detector(fetched(DETECTOR, Path(name)))
        made = quantised(half, Path(name), options.count)
    held_out = list(pictures(12, seed=21))
    wanted = heats(half, held_out)
    change = {}
    for title, model in (("shipped", (MODELS / NAME).read_bytes()), ("made", made)):
        apart = [np.abs(a - b) for a, b in zip(heats(model, held_out), wanted, strict=True)]
        change[title] = float(
            np.sqrt(np.mean([(a[w > 0.1] ** 2).mean() for a, w in zip(apart, wanted, strict=True) if (w > 0.1).any()]))
        )
        largest = max(float(a.max()) for a in apart)
        print(f"{title} against 16-bit, heat above 0.1: RMS {change[title]:.3f}, largest {largest:.3f}")
    good = change["made"] <= SLACK * change["shipped"]
    print("ok" if good else "TOO LARGE")
    if options.write and good:
        (MODELS / NAME).write_bytes(made)
        print(f"wrote {NAME}, SHA-256 {hashlib.sha256(made).hexdigest()}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
