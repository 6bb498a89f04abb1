"""A dark square on a bright field, through lens and camera, as electrons in each pixel.

On axis every edge has the same spread: the transfer function of the lens times the camera's own blur times the pixel's
aperture, which along an edge's normal is sinc(f cos t) sinc(f sin t). A corner is the product of the two edge profiles
in the square's own axes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import cos, floor, pi, radians, sin

import numpy as np
from numpy.typing import NDArray

from benchd_simulators.world.lens import Optic
from benchd_simulators.world.strip import Bar

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
SPAN_PX = 2048  # period of the edge series: a square wave, of which one edge is used
FINE = 16  # table entries in a pixel
TOP_CYCLES = 1.6  # cycles per pixel beyond which the camera passes nothing
STRIP_ROWS = 32  # of a picture are worked on at a time: what stays in the processor's cache is done in half the time


@dataclass(frozen=True, slots=True)
class Scene:
    """What stands before the camera; `electrons_per_s` is the bright field's in one pixel.

    `marks` are dark discs on the wall: centre from the picture's own, and radius (px). `pixel_ratio`: a pixel on the
    target over what it is with the wall where the world has it, as the camera looks at the wall and goes with it.
    `bars` are those of a strip on the wall, and `bars_left` what of the light they give back.
    """

    optic: Optic | None
    depth_um: float
    electrons_per_s: float
    side_um: float
    turn_deg: float
    transmission: float
    off_px: tuple[float, float] = (0.0, 0.0)
    pwm_level: float = 1.0
    pwm_hz: float = 1000.0
    marks: tuple[tuple[float, float, float], ...] = ()
    pixel_ratio: float = 1.0
    bars: tuple[Bar, ...] = ()
    bars_left: float = 0.0


def pulsed(level: float, periods: float, phase: float) -> float:
    """Light of an exposure over `periods` of pulse-width dimming from `phase`, relative to its mean."""

    def lit(at: float) -> float:
        return floor(at) * level + min(at - floor(at), level)

    return (lit(phase + periods) - lit(phase)) / (periods * level) if level > 0 and periods > 0 else 1.0


def camera_factor(cycles_per_px: Floats, blur_px: float, turn_deg: float) -> Floats:
    """The camera's own transfer along the normal of an edge turned by `turn_deg`."""
    f, t = np.asarray(cycles_per_px, dtype=np.float64), radians(turn_deg)
    aperture = np.sinc(f * cos(t)) * np.sinc(f * sin(t))
    answer: Floats = np.exp(-2 * (pi * blur_px * f) ** 2) * aperture
    return answer


def edge_table(transfer: Floats) -> Floats:
    """Edge response from 0 (dark) to 1 at distances -SPAN/4 .. SPAN/4 in steps of 1/FINE px.

    `transfer` is the whole transfer function at the odd harmonics k / SPAN cycles per pixel, k = 1, 3, 5 ...:
    E(d) = 1/2 + (2 / pi) sum OTF(k / SPAN) sin(2 pi k d / SPAN) / k, the blurred square wave, exact near d = 0.
    """
    n = SPAN_PX * FINE
    spectrum = np.zeros(n // 2 + 1, dtype=np.complex128)
    k = 2 * np.arange(len(transfer)) + 1
    spectrum[k] = -1j * transfer / (pi * k) * n
    wave = np.fft.irfft(spectrum, n)
    quarter = n // 4
    return np.concatenate([wave[-quarter:], wave[: quarter + 1]]) + 0.5


def _strips(height: int) -> Iterator[slice]:
    """The rows of a picture, some at a time."""
    for top in range(0, height, STRIP_ROWS):
        yield slice(top, min(top + STRIP_ROWS, height))


@lru_cache(maxsize=4)
def _grid(width: int, height: int, turn_deg: float) -> tuple[Floats, Floats]:
    """Coordinates (px) of the pixel centres along the square's two axes, from the picture's centre."""
    x = np.arange(width)[None, :] - (width - 1) / 2
    y = np.arange(height)[:, None] - (height - 1) / 2
    t = radians(turn_deg)
    return x * cos(t) + y * sin(t), y * cos(t) - x * sin(t)


def dark_part(
    table: Floats, *, width: int, height: int, side_px: float, turn_deg: float, centre_px: tuple[float, float]
) -> Floats:
    """How much of each pixel the square darkens, 0 to 1, height x width."""
    along, across = _grid(width, height, turn_deg)
    t = radians(turn_deg)
    u0 = centre_px[0] * cos(t) + centre_px[1] * sin(t)
    v0 = centre_px[1] * cos(t) - centre_px[0] * sin(t)
    reach = SPAN_PX // 4 - side_px / 2 - 1
    d = np.arange(-int(reach * FINE), int(reach * FINE) + 1) / FINE
    place = np.arange(len(table)) / FINE - SPAN_PX / 4
    profile = np.interp(d + side_px / 2, place, table) - np.interp(d - side_px / 2, place, table)
    slope = np.append(np.diff(profile), 0.0)
    dark = np.empty((height, width))
    for rows in _strips(height):
        np.multiply(
            _look(profile, slope, along[rows], u0, d[0]),
            _look(profile, slope, across[rows], v0, d[0]),
            out=dark[rows],
        )
    return dark


def _look(profile: Floats, slope: Floats, place: Floats, centre: float, first: float) -> Floats:
    """Linear interpolation in an evenly spaced table, several times as fast as a general one."""
    index = place - (centre + first)
    index *= FINE
    np.clip(index, 0.0, len(profile) - 1.001, out=index)
    whole = index.astype(np.intp)
    index -= whole
    index *= slope.take(whole)
    index += profile.take(whole)
    return index


def render(
    scene: Scene, *, width: int, height: int, pixel_um: float, blur_px: float, centre_px: tuple[float, float]
) -> Floats:
    """Expected light in each pixel, relative to the bright field (1.0), height x width."""
    if scene.optic is None:
        return np.full((height, width), 0.01)  # stray light: without a lens there is no image
    harmonics = (2 * np.arange(int(TOP_CYCLES * SPAN_PX) // 2) + 1) / SPAN_PX
    lens = scene.optic.otf(harmonics * 1000 / pixel_um, scene.depth_um)
    table = edge_table(lens * camera_factor(harmonics, blur_px, scene.turn_deg))
    centre = centre_px[0] + scene.off_px[0], centre_px[1] + scene.off_px[1]
    dark = dark_part(
        table,
        width=width,
        height=height,
        side_px=scene.side_um / pixel_um,
        turn_deg=scene.turn_deg,
        centre_px=centre,
    )
    dark *= scene.transmission - 1
    dark += 1
    return dark


def digitise(
    electrons: Floats,
    rng: np.random.Generator,
    *,
    full_well_e: float,
    read_noise_e: float,
    offset: int,
    bits: int,
    gain: float,
    knee: float | None = None,
    gamma: float = 1.0,
) -> NDArray[np.uint16]:
    """Shot noise, read noise, saturation and rounding to `bits`, as 16-bit values.

    Above `knee` (a share of full well) the answer bends and comes near full well without reaching it. With `gamma` the
    values go with light to the power of one over it.

    Shot noise above 50 electrons is a normal draw of the same variance (skew below 0.15); below, a Poisson draw.
    """
    noise = rng.standard_normal(electrons.shape, dtype=np.float32)
    level = np.empty(electrons.shape, dtype=np.uint16)
    for rows in _strips(len(electrons)):
        noisy = _noisy(electrons[rows], noise[rows], rng, read_noise_e)
        level[rows] = _levels(noisy, full_well_e, offset, bits, gain, knee, gamma)
    return level


def _noisy(electrons: Floats, noise: Singles, rng: np.random.Generator, read_noise_e: float) -> Singles:
    """Electrons with the noise of both kinds, by normal draws `noise`."""
    mean = electrons.astype(np.float32)
    few = mean < 50
    noisy = mean + np.float32(read_noise_e**2)
    np.copyto(noisy, np.float32(read_noise_e**2), where=few)
    np.sqrt(noisy, out=noisy)
    noisy *= noise
    if few.any():
        mean[few] = rng.poisson(mean[few])
    noisy += mean
    return noisy


def _levels(
    noisy: Singles, full_well_e: float, offset: int, bits: int, gain: float, knee: float | None, gamma: float
) -> NDArray[np.uint16]:
    """What the camera tells of these electrons, which are overwritten."""
    step = 1 << (16 - bits)
    if knee is not None:
        room = np.float32((1.0 - knee) * full_well_e)
        over = np.maximum(noisy - np.float32(knee * full_well_e), np.float32(0.0))
        noisy += room * -np.expm1(-over / room) - over
    np.minimum(noisy, np.float32(full_well_e), out=noisy)
    if gamma != 1.0:  # of what the gain makes of it, as the curve comes last
        noisy *= np.float32(gain / full_well_e)
        np.clip(noisy, 0.0, 1.0, out=noisy)
        np.power(noisy, np.float32(1.0 / gamma), out=noisy)
        noisy *= np.float32(full_well_e / gain)
    noisy *= np.float32((65535 - offset) / full_well_e * gain / step)
    noisy += np.float32(offset / step)
    np.rint(noisy, out=noisy)
    np.clip(noisy, 0, (1 << bits) - 1, out=noisy)
    level = noisy.astype(np.uint16)
    level *= np.uint16(step)
    return level
