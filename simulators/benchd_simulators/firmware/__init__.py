"""The faces of the simulated hardware: real bytes on pseudo-terminals, a socket and HTTP.

Everything here knows the world only through `machine.Machine`; nothing here knows what is true.
"""
