"""Every test here leaves no task, thread or file handle behind."""

from benchd.testing.leaks import no_leaks

__all__ = ["no_leaks"]
