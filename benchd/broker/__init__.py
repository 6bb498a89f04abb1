"""The embedded broker."""
