"""Opens what OpenCV reads: a video device by what identifies it, a stream, or a file.

All of it blocks, and belongs into the reader's thread.
"""

from __future__ import annotations

import os
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from benchd.devices import Identity, LinkError
from benchd_drivers.capture_config import CaptureCameraConfig
from benchd_drivers.capture_login import with_login
from benchd_drivers.capture_settings import Source, size_of

BY_ID = Path("/dev/v4l/by-id")
TREE = Path("/sys/class/video4linux")
PICTURES = frozenset({".png", ".tif", ".tiff", ".jpg", ".jpeg"})
"""Numbered pictures, by the first of them: their own reader keeps 16 bits."""
SILENCE = 2.0
"""Time-outs that a stream may be silent for before it is given up: a pause is a pause, and no loss."""


def demand_opencv(name: str) -> None:
    """Raises ValueError where OpenCV is not installed: it is an extra, loaded where a bench names it."""
    if find_spec("cv2") is None:
        raise ValueError(f"{name} needs OpenCV: pip install 'benchd[capture]'")


def cv() -> Any:
    """OpenCV, which otherwise writes addresses and warnings of its own onto standard error."""
    os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    import cv2

    return cv2


def node(config: CaptureCameraConfig, name: str, by_id: Path = BY_ID) -> str:
    """The path of the video device. Raises LinkError where none fits, or several: a wrong one is worse than none."""
    if config.device is not None:
        if not Path(config.device).exists():
            raise LinkError(f"{name}: there is no {config.device}.", advice=_seen(by_id), device=name)
        return config.device
    assert config.by_id is not None
    # A camera has several nodes; pictures come by the first, the others tell of pictures or carry other formats.
    fitting = [
        path for path in sorted(by_id.glob("*")) if config.by_id in path.name and path.name.endswith("video-index0")
    ]
    if len(fitting) == 1:
        return str(fitting[0].resolve())
    if not fitting:
        raise LinkError(f"{name}: no camera has {config.by_id} in its name.", advice=_seen(by_id), device=name)
    raise LinkError(
        f"{name}: {len(fitting)} cameras have {config.by_id} in their names.",
        advice=f"Give more of it: {', '.join(path.name for path in fitting)}.",
        device=name,
    )


def _seen(by_id: Path) -> str:
    names = [path.name for path in sorted(by_id.glob("*video-index0"))]
    return f"Seen: {', '.join(names)}." if names else "Check its cable; `benchd new --list` shows the cameras here."


def identity(path: str, by_id: Path = BY_ID, tree: Path = TREE) -> Identity:
    """What the operating system knows of a video device: its name, and its name by id, which has its serial number."""
    try:
        model = (tree / Path(path).resolve().name / "name").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        model = ""
    names = [link.name for link in sorted(by_id.glob("*")) if link.resolve() == Path(path).resolve()]
    return Identity(model=model, serial=names[0] if names else "")


def open_source(config: CaptureCameraConfig, name: str) -> tuple[Source, Identity]:
    """The open source and what it is known by. Raises LinkError."""
    cv2 = cv()
    if config.is_device:
        path = node(config, name)
        if not os.access(path, os.R_OK | os.W_OK):
            advice = "Give your user the group 'video' or install configs/machine/60-benchd.rules; then log in again."
            raise LinkError(f"{name}: {path} may not be opened.", advice=advice, device=name)
        source = cv2.VideoCapture(path, cv2.CAP_V4L2)
        advice = "Another program may have it open; close that one."
        return _opened(source, name, path, advice), identity(path)
    if config.url is not None:
        within_ms = round(1000 * config.timeout_s)
        options = [
            cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, within_ms, cv2.CAP_PROP_READ_TIMEOUT_MSEC, round(SILENCE * within_ms),
            cv2.CAP_PROP_N_THREADS, 1,
        ]  # fmt: skip
        address = config.url
        if config.user is not None and config.password_file is not None:
            address = with_login(address, config.user, config.password_file, name)
        source = cv2.VideoCapture(address, cv2.CAP_FFMPEG, options)
        advice = "Check address, login and network, and that it is a stream; http_camera takes single pictures."
        opened = _opened(source, name, config.url, advice)
        code = int(opened.get(cv2.CAP_PROP_FOURCC)).to_bytes(4, "little", signed=False).decode("latin-1").strip("\0 ")
        return opened, Identity(model="{} {} x {}".format(code, *size_of(opened)))
    assert config.file is not None
    file = Path(config.file)
    if not file.is_file():
        raise LinkError(f"{name}: there is no file {file}.", advice="Check `file` in the bench file.", device=name)
    source = cv2.VideoCapture(str(file.absolute()), cv2.CAP_IMAGES if file.suffix in PICTURES else cv2.CAP_FFMPEG)
    return _opened(source, name, str(file), "It is no video that is known here."), Identity(model=file.name)


def _opened(source: Any, name: str, what: str, advice: str) -> Source:
    if not source.isOpened():
        source.release()
        raise LinkError(f"{name}: {what} cannot be opened.", advice=advice, device=name)
    opened: Source = source
    return opened


def encoded(image: Any, colour: bool, name: str) -> bytes:
    """A PNG of an image as OpenCV gives it, grey or blue-green-red, 8 or 16 bits. Raises LinkError for another kind."""
    cv2 = cv()
    shape: tuple[int, ...] = getattr(image, "shape", ())
    if str(getattr(image, "dtype", "")) not in ("uint8", "uint16") or not (
        len(shape) == 2 or (len(shape) == 3 and shape[2] == 3)
    ):
        raise LinkError(
            f"{name} gives pictures of a kind that is not known here ({shape}, {getattr(image, 'dtype', 'nothing')}).",
            advice="State another pixel_format.",
            device=name,
        )
    if len(shape) == 3 and not colour:
        image = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    done, data = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not done:
        raise LinkError(f"{name}: a picture of {shape} could not be encoded.", device=name)
    return bytes(data)
