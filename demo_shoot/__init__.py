"""An invented shoot made from spectra: the jubilee of a village choir, as DNG frames, with the truth beside it.

Run ``python -m demo_shoot OUT_DIR``. Nothing in here is a photograph, and nobody in it exists.
"""
