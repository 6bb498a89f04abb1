"""A difference of two findings that has to be the expected one."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from differences import Difference


async def agrees(compare: Callable[[], Awaitable[Difference]], expected: float) -> None:
    """Assert that a difference, measured anew by each call, is the expected one within its 95 % interval.

    An honest bench falls outside once in twenty. So one that does is measured once more: of what is drawn anew by each
    measurement, such as joints and noise, two in a row are outside once in 400. What the seed fixes is the same in
    both, and where that decides, the second measurement is no other than the first.
    """
    first = await compare()
    if not first.is_about(expected):
        second = await compare()
        assert second.is_about(expected), (first, second)
