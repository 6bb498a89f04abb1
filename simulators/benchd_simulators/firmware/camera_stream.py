"""The network camera's stream: one JPEG after another in multipart/x-mixed-replace (RFC 2046, 5.1), without an end."""

from __future__ import annotations

import asyncio
import io
from collections.abc import AsyncGenerator, Awaitable, Callable

from benchd_simulators.firmware.http import Answer

STREAM_PATH = "/stream.mjpg"
BOUNDARY = "frame"
STREAM_KIND = f"multipart/x-mixed-replace; boundary={BOUNDARY}"
QUALITY = 95


async def parts(picture: Callable[[], Awaitable[Answer]]) -> AsyncGenerator[bytes, None]:
    """Each picture as a part. An error of the sensor leaves one out, a cut ends the stream in the middle of one."""
    while True:
        answer = await picture()
        if answer.status != 200:
            continue
        jpeg = await asyncio.to_thread(_jpeg, answer.body)
        head = f"--{BOUNDARY}\r\nContent-Type: image/jpeg\r\nContent-Length: {len(jpeg)}\r\n\r\n"
        if answer.cut:
            yield head.encode() + jpeg[: len(jpeg) // 2]
            return
        yield head.encode() + jpeg + b"\r\n"


def _jpeg(png: bytes) -> bytes:
    """The upper eight bits of a 16-bit grey PNG as a JPEG; what is no picture (a fault) stays as it is."""
    import numpy as np
    from PIL import Image

    try:
        with Image.open(io.BytesIO(png)) as picture:
            grey = np.asarray(picture).astype(np.uint16) >> 8
    except (OSError, SyntaxError):
        return png
    out = io.BytesIO()
    Image.fromarray(grey.astype(np.uint8)).save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
