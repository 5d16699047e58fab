"""Sidecar packets: how fast they are edited, and what broken ones do. `python -m benchmarks.packets`."""
