"""benchd: a lens bench that measures.

Importing this package loads nothing heavy; the rooms below it are listed in DEVELOPERS.md.
"""


def version() -> str:
    """The installed version."""
    from importlib.metadata import version as installed

    return installed("benchd")
