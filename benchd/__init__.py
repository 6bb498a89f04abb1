"""benchd: a lens bench that measures.

Importing this package loads nothing heavy; the rooms below it are listed in DEVELOPERS.md.
"""
