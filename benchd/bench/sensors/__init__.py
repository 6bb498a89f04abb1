"""Meters that tell of the room: what they bring into the set-up, and how the bench leans (`sensors`), which is kept
with each sweep (`lean`).
"""
