"""Pictures in, numbers out: decoding, exposure, the dark square, the slanted edge's response.

Pure: arrays and bytes in, frozen values out; no files, no clock, no loop. Everything refuses with
`benchd.imaging.refusals.PictureRefused`, which carries a code, a sentence with its figures, and the figures.
"""
