"""Every test of the drivers leaves nothing behind."""

from benchd.testing.leaks import no_leaks

__all__ = ["no_leaks"]
