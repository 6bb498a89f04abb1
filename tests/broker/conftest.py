"""What runs over a real broker runs over each there is."""

from tests.over_brokers import broker, child, no_leaks, rig

__all__ = ["broker", "child", "no_leaks", "rig"]
