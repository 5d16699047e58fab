"""Sessions of the shipped models, made late and small: nothing is loaded before the first picture."""

from __future__ import annotations

from importlib import resources
from typing import Any

from xmpsync.errors import OwnCheckFailed

DETECTOR_MODEL = "centerface_fp16w.onnx"
MESH_MODEL = "face_landmark.onnx"
IDENTITY_MODEL = "face_identity_fp16w.onnx"


def session(model: str, threads: int) -> Any:
    """An onnxruntime session of a shipped model.

    The arena is switched off: pictures come in many sizes, and an arena keeps the largest of each (peak memory counts
    once per worker). Threads do not spin, so that workers leave the cores to each other.

    Raises `OwnCheckFailed` when the installed package lacks the model or the file is damaged.
    """
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    options.enable_cpu_mem_arena = False
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
