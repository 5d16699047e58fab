"""Versions for store keys. Raise one when the same picture may give other faces, places or identity numbers."""

from __future__ import annotations

BALANCE = "balance-3"
DETECTOR = "centerface-int8-3"
MESH = "face-mesh-468-2"
PLACES = "places-1"
FINDER = "finder-8"
IDENTITY = "dlib-resnet-v1-onnx-3"

FACES_VERSION = "/".join((BALANCE, DETECTOR, MESH, PLACES, FINDER, IDENTITY))
