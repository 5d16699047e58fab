"""Sessions of the shipped models, made late and small: nothing is loaded before the first picture."""

from __future__ import annotations

from importlib import resources
from typing import Any

from xmpsync.errors import OwnCheckFailed

DETECTOR_MODEL = "centerface_int8.onnx"
MESH_MODEL = "face_landmark.onnx"
IDENTITY_MODEL = "face_identity_fp16w.onnx"


def session(model: str, threads: int) -> Any:
    """An onnxruntime session of a shipped model.

    The arena stays on: without it a look takes half as long again, and the peak is no lower (268 against 253 MB).
    Memory patterns are off: they pay for inputs of one size, and pictures come in many. Threads do not spin, so that
    workers leave the cores to each other.

    Raises `OwnCheckFailed` when the installed package lacks the model or the file is damaged.
    """
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.enable_mem_pattern = False
    options.log_severity_level = 3
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    try:
        data = (resources.files("xmpsync.faces") / "models" / model).read_bytes()
        return onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    except FileNotFoundError as error:
        raise OwnCheckFailed(
            f"The face model {model} is missing from the installed package.", next_step="Install xmpsync again."
        ) from error
    except Exception as error:  # onnxruntime raises classes of its own C module
        raise OwnCheckFailed(
            f"The face model {model} cannot be loaded: {error}", next_step="Install xmpsync and onnxruntime again."
        ) from error
