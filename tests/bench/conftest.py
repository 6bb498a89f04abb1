"""What the rooms about a bench file have in common."""

from tests.shipped_benches import collimated, wall

__all__ = ["collimated", "wall"]
