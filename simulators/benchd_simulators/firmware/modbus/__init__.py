"""A Modbus drive with a dimmer and a readout on it, byte for byte: RTU on a pseudo-terminal, and TCP.

It shares no code with whoever asks it. The silences of 1.5 and 3.5 characters are not timed: a pseudo-terminal carries
no gaps between bytes. A frame ends where its function says, and what is left of a broken one is dropped after a pause.
"""
