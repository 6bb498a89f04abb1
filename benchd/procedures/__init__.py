"""Procedures: data, not code. The step language, what is wrong with a file before anything moves, and runs.

`language` has the models, `scope` puts values in place of their names, `check` holds a file against itself. `walker` is
the one interpreter: with `predict` a dry run, with `carry_out` a run, which `runner` begins, pauses and ends.
"""
