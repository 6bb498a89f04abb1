"""The stepped sweep: find the peak, choose the sampling positions, then move, settle, capture, and again.

`sweeper` runs it. `coarse_scan` looks for the focus from wherever the carriage stands; `captures` drives to an offset,
settles and has the detector capture there, with the place read before and after; `sweep_data` is what was asked for and
what came back; `disturbances` watches light and temperature meanwhile, and says what changed and who changed it.
"""
