"""The record: lenses, set-ups, runs, readings, findings, calibrations, events, in one SQLite file with one writer.

`store.Store` is the daemon's asynchronous face, `reader.Reader` the command line's read-only one. Nothing here is
imported before a store is opened: SQLAlchemy costs a fifth of a second.
"""
