"""What a command from outside passes, whatever brought it: JSON, beat, id, and the role and control of its user.

`intake` has the gates in their order and hands what passes to a verb; `control` knows who holds the bench, `beat` what
is too old to start motion, `ids` what was carried out before. The answer is a document, which
the transport sends.
"""
