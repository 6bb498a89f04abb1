"""Drivers: one module per kind of hardware, transports in `link`. They know `benchd.devices` and nothing else of benchd."""
