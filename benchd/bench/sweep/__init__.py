"""Sweeps: find the peak, choose the sampling positions, then move, settle, capture, and again; or pass through.

`sweeper` runs it. `coarse_scan` looks for the focus from wherever the carriage stands; `captures` drives to an offset,
settles and has the detector capture there, with the place read before and after; `pass_through` takes a sweep in
motion: how fast (`continuous`), there and back (`passes`), with the detector's captures beside (`stream`).
`readings` keeps and publishes what each capture becomes. `enough_light` says whether a sweep is worth taking.
`sweep_data` is what was asked for and what came back; `disturbances` watches light and temperature meanwhile, and says
what changed and who changed it.
"""
