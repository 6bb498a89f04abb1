"""Detectors of focus, a folder each: what is exposed or read at a place, and which values that gives.

A detector is registered under the entry point group `benchd.detectors`; ours are, and anybody's package can add one.
The modules beside the folders are what detectors share: `detector.py` is what one has to be, `values.py` what goes in
and out, `registry.py` finds it, `available.py` makes those that work on the devices of a bench, `guarded.py` stands
around each call. A sweep works with values at places, and knows no detector by name.
"""
