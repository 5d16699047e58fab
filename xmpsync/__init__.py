"""Bring the skin of a whole shoot to one look: measured white balance and exposure, written to XMP sidecars."""

__version__ = "0.1.0"
