"""How well the numbers mean the same in an editor that knows more about the camera: `python -m benchmarks.scale`."""
