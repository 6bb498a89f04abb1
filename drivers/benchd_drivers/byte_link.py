"""The link of a device that says lines of text: one that there is, and that carries bytes as they are."""

from __future__ import annotations

from benchd.devices import Link


def byte_link(link: Link | None, device: str) -> Link:
    """The link of `device`. Raises ValueError where it was given none, or one that frames a protocol of its own."""
    if link is None or not link.of_bytes:
        raise ValueError(
            f"link: {device} needs a link that carries lines of text, of kind serial or tcp, or visa for an instrument"
        )
    return link
