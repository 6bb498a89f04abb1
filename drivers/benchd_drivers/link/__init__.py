"""Transports: serial ports and sockets, each owned by one thread; locks, identity, and the reading of bytes."""
