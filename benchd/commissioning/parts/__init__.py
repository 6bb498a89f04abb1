"""What `benchd new` knows of each kind of hardware: its questions, its devices in the file, and the roles they play.

A part that asks about a line of its own names it in `benchd.commissioning.link_text`.
"""
