"""Optics, pure: plates of glass, conjugates, depth of focus, diffraction, expansion of rods.

Closed forms where they exist; no I/O, no clock, and nothing of the rest of benchd.
"""
