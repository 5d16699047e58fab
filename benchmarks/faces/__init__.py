"""Bench of the faces room: recall, false faces, drift of places, identity. Run `python -m benchmarks.faces`."""
