"""The camera: by what its pictures come, and what the file says of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchd.commissioning import parsing
from benchd.commissioning.parsing import NONE
from benchd.commissioning.question import Answers, Places, Question, at, where_stated
from benchd.commissioning.yaml_text import guess, lines
from benchd.files.bounds import Within

CAMERA = "The camera"


def there(answers: Answers) -> bool:
    """Whether there is a camera at all."""
    return kind(answers) != ""


def kind(answers: Answers) -> str:
    """Which of its drivers, by what was answered first; empty without a camera."""
    found = {"camera_url": "http", "camera_source": "capture", "camera_folder": "folder"}
    return next((name for key, name in found.items() if answers.get(key) is not None), "")


def _no_wall(answers: Answers) -> bool:
    """Where no wall is between, the lens says how large the target is in a picture, in pixels."""
    return there(answers) and answers["arrangement"] == "collimated"


def _is(*kinds: str) -> Callable[[Answers], bool]:
    return lambda answers: kind(answers) in kinds


def _set_by_hand(answers: Answers) -> bool:
    """A camera that nobody can tell an exposure to: its person locks one."""
    device = kind(answers) == "capture" and "://" not in answers["camera_source"]
    return kind(answers) in ("capture", "folder") and not device


QUESTIONS: tuple[Question, ...] = (
    Question(
        CAMERA,
        "camera_url",
        f"URL that answers with one picture of the camera; {NONE} without a camera",
        parsing.or_none(parsing.url),
        NONE,
    ),
    Question(
        CAMERA,
        "camera_settings_url",
        f"URL that sets its exposure, with {{exposure_ms}} and {{gain}} in it; {NONE} without one",
        parsing.or_none(parsing.url),
        NONE,
        where_stated("camera_url"),
    ),
    Question(
        CAMERA,
        "camera_time_header",
        f"Header of its answer that tells when the picture was taken; {NONE} without one",
        parsing.or_none(parsing.words),
        NONE,
        where_stated("camera_url"),
    ),
    Question(
        CAMERA,
        "camera_source",
        "A camera that OpenCV reads: /dev/video0, part of its name in /dev/v4l/by-id, or rtsp://..; "
        f"{NONE} without one",
        parsing.or_none(parsing.camera_source),
        NONE,
        lambda answers: not there(answers),
    ),
    Question(
        CAMERA,
        "camera_lag_ms",
        "From the end of an exposure to its picture being here, in ms, at the most",
        parsing.number(Within(0.0, 30e3, "ms")),
        "500",
        _is("capture"),
    ),
    Question(
        CAMERA,
        "camera_folder",
        f"Folder into which a tethered still camera puts its pictures; {NONE} without one",
        parsing.or_none(parsing.words),
        NONE,
        lambda answers: not there(answers),
    ),
    Question(
        CAMERA,
        "camera_lag_s",
        "From the press of its shutter until the file begins to appear, in s, at the most",
        parsing.number(Within(0.0, 50.0, "s")),
        "5",
        _is("folder"),
    ),
    Question(
        CAMERA,
        "camera_exposure_ms",
        f"The exposure in ms that was set and locked in it by hand; {NONE} where it is not locked",
        parsing.or_none(parsing.number(Within(0.001, 10e3, "ms"))),
        NONE,
        _set_by_hand,
    ),
    Question(
        CAMERA,
        "camera_orientation",
        "How its picture stands: upright, upside_down, mirrored, mirrored_upside_down, turned_left or turned_right",
        parsing.choice("upright", "upside_down", "mirrored", "mirrored_upside_down", "turned_left", "turned_right"),
        "upright",
        there,
    ),
    Question(
        CAMERA,
        "camera_linear",
        "Are its numbers proportional to light (raw pictures)? yes or no; with no findings get a line "
        "for an unknown curve",
        parsing.choice("yes", "no"),
        "no",
        there,
    ),
    Question(
        CAMERA,
        "camera_pixel_um",
        "Side of one pixel of the sensor, in µm, by its data sheet",
        parsing.length("um", Within(0.3, 200.0, "um")),
        None,
        _no_wall,
    ),
    Question(
        CAMERA,
        "camera_u_pixel_um",
        "How well that is known, standard uncertainty in µm",
        parsing.length("um", Within(1e-5, 20.0, "um")),
        lambda answers: f"{0.002 * answers['camera_pixel_um']:.3g}",
        _no_wall,
    ),
)


_KEYS = ("settings_url", "time_header", "lag_ms", "lag_s", "orientation", "pixel_um", "u_pixel_um")
PLACES: Places = {
    **at(
        "devices.camera",
        {
            "camera_url": "url .",
            "camera_source": "device by_id url .",
            "camera_folder": "folder .",
            "camera_exposure_ms": "exposure_ms locked_by_hand",
            "camera_linear": "linear gamma",
            **{f"camera_{key}": key for key in _KEYS},
        },
    ),
}


def devices(answers: Answers, guessed: Sequence[str]) -> str:
    """The one that there is; whether it is linear only its maker or a measurement knows."""
    which = kind(answers)
    if not which:
        return ""
    linear = answers["camera_linear"] == "yes"
    return f"  camera:\n    driver: {which}_camera\n" + lines(
        4,
        (
            *_source(answers, which, guessed),
            ("orientation", answers["camera_orientation"], ""),
            ("pixel_um", answers.get("camera_pixel_um"), ""),
            ("u_pixel_um", answers.get("camera_u_pixel_um"), guess("camera_u_pixel_um", guessed)),
            ("linear", (linear and which != "capture") or None, "proportional to light"),
            ("gamma", 1.0 if linear and which == "capture" else None, "proportional to light"),
        ),
    )


def _source(answers: Answers, which: str, guessed: Sequence[str]) -> tuple[tuple[str, object, str], ...]:
    if which == "http":
        keys = ("url", "settings_url", "time_header")
        return tuple((key, answers.get(f"camera_{key}"), "") for key in keys)
    exposure = answers.get("camera_exposure_ms")
    by_hand = (
        (
            "locked_by_hand",
            None if exposure is None else ("exposure",),
            "and gain, focus, white_balance where they are",
        ),
        ("exposure_ms", exposure, "what was set in it"),
    )
    if which == "folder":
        lag = ("lag_s", answers["camera_lag_s"], guess("camera_lag_s", guessed))
        return (("folder", answers["camera_folder"], "begin with an empty one"), lag, *by_hand)
    source = answers["camera_source"]
    key = "url" if "://" in source else "device" if source.startswith("/dev/") else "by_id"
    lag = ("lag_ms", answers["camera_lag_ms"], guess("camera_lag_ms", guessed))
    return ((key, source, "pip install 'benchd[capture]'"), lag, *by_hand)


def roles(answers: Answers) -> dict[str, str]:
    """Who plays which part."""
    return {"detector": "camera"} if there(answers) else {}
