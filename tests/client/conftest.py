"""What runs over a real broker runs over each that is installed."""

from tests.over_brokers import broker, child, no_leaks, rig

__all__ = ["broker", "child", "no_leaks", "rig"]
