"""What a decision rule costs the consumer and the producer, over all items of a process (JCGM 106, 9)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Risks:
    """Probabilities for an item drawn at random: conforms; accepted but does not conform; rejected but conforms."""

    conforming: float
    consumer: float
    producer: float


def global_risks(
    mean: float, u_process: float, u_measurement: float, tolerance: tuple[float, float], acceptance: tuple[float, float]
) -> Risks:
    """Global risks for a normal process and normal errors of measurement (JCGM 106, 9.5 and annex B)."""
    if not (u_process > 0.0 and u_measurement > 0.0):
        raise ValueError("process and measurement both need an uncertainty above zero")
    from scipy.special import ndtr

    low, high = tolerance

    def accepted(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.asarray(
            ndtr((acceptance[1] - values) / u_measurement) - ndtr((acceptance[0] - values) / u_measurement)
        )

    def integral(start: float, stop: float, of_accepted: bool) -> float:
        # Panels no wider than half the smaller uncertainty, eight Gauss points in each.
        edges = np.linspace(start, stop, 2 + int((stop - start) / (0.5 * min(u_process, u_measurement))))
        node, weight = np.polynomial.legendre.leggauss(8)
        half = 0.5 * np.diff(edges)[:, None]
        at = (edges[:-1, None] + half * (node[None, :] + 1.0)).ravel()
        density = np.exp(-0.5 * ((at - mean) / u_process) ** 2) / (u_process * np.sqrt(2.0 * np.pi))
        share = accepted(at) if of_accepted else 1.0 - accepted(at)
        return float(np.sum((half * weight[None, :]).ravel() * density * share))

    far = 9.0 * u_process
    bottom, top = min(low, mean - far), max(high, mean + far)
    return Risks(
        conforming=float(ndtr((high - mean) / u_process) - ndtr((low - mean) / u_process)),
        consumer=integral(bottom, low, True) + integral(high, top, True),
        producer=integral(low, high, False),
    )
