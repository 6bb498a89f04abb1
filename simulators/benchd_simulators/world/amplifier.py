"""A photodiode's amplifier and the meter behind it: what creeps after the light, and what is told of it by turns.

The amplifier follows the light as a low-pass of first order. The meter integrates what comes out of it, one stretch
after the other, and tells the mean of the last whole one until the next has ended, whether it is asked or not.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, floor


class Amplifier:
    """`now` tells world time; `settle_s` is its time constant, `integration_s` a stretch of the meter, 0 for one that
    tells what is there as it is asked. Between two times that it is asked the light is taken to go straight, which it
    does as far as a carriage at constant speed moves in that time."""

    def __init__(self, now: Callable[[], float], settle_s: float, integration_s: float) -> None:
        self._now, self._settle_s, self._integration_s = now, settle_s, integration_s
        self._light = self._out = self._sum = 0.0
        self._knots = [(self._now(), 0.0, 0.0)]
        """Of each: when, what came out, and the integral of that since the beginning."""
        self.stretch = 0
        """The number of the stretch that is told."""

    def tell(self, light: float, still_s: float) -> float:
        """What it tells, with that light now, as it has been for `still_s`."""
        t = self._now()
        since = t - self._knots[-1][0]
        if since > still_s:
            self._follow(t - still_s, light)
        self._follow(t, light)
        if self._integration_s <= 0.0:
            self.stretch += 1
            del self._knots[:-1]
            return self._out
        self.stretch = floor(t / self._integration_s)
        ends = self.stretch * self._integration_s
        begins = ends - self._integration_s
        told = (self._integral(ends) - self._integral(begins)) / self._integration_s
        while len(self._knots) > 2 and self._knots[1][0] < begins:
            del self._knots[0]
        return told

    def _follow(self, t: float, light: float) -> None:
        """Out to `t`, while the light goes straight to what it is then."""
        dt = t - self._knots[-1][0]
        if dt <= 0.0:
            self._light = light
            return
        lags = (light - self._light) / dt * self._settle_s
        out = light - lags + (self._out - self._light + lags) * exp(-dt / self._settle_s)
        self._sum += 0.5 * (self._light + light) * dt - self._settle_s * (out - self._out)
        self._light, self._out = light, out
        self._knots.append((t, out, self._sum))

    def _integral(self, t: float) -> float:
        """By Hermite's cubic between two knots, which know both the integral and its slope; before the first as it
        began."""
        t0, out0, sum0 = self._knots[0]
        if t <= t0:
            return sum0 + (t - t0) * out0
        for t1, out1, sum1 in self._knots[1:]:
            if t <= t1:
                x, dt = (t - t0) / (t1 - t0), t1 - t0
                return (
                    sum0
                    + x * dt * out0
                    + x**2 * (3.0 * (sum1 - sum0) - dt * (2.0 * out0 + out1))
                    - x**3 * (2.0 * (sum1 - sum0) - dt * (out0 + out1))
                )
            t0, out0, sum0 = t1, out1, sum1
        return sum0
