"""Bringing a bench up: what this machine has, a bench file from answers, what is wrong and what to do about it.

Nothing here moves anything, and no port is opened, but where a person has just allowed it.
"""
