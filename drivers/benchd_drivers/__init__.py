"""Drivers: one module per kind of hardware, transports in `link`. Of benchd they know `benchd.devices` alone."""
