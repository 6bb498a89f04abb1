"""Procedures: data, not code. The step language, what is wrong with a file before anything moves, and the dry run.

`language` has the models, `scope` puts values in place of their names, `check` and `dry_run` look ahead.
"""
