"""What a bench that cannot be opened says: each device's words under its name, once."""

from __future__ import annotations

import pytest

from benchd.bench.assembly import Assembly, open_all
from benchd.devices import DeviceError, Health, Identity, Light


class Lamp(Light):
    """It cannot be opened, and says why."""

    def __init__(self, why: str) -> None:
        self.name = "lamp"
        self.why = why

    @classmethod
    def create(cls, name: str, config: object, link: object) -> Lamp:
        return cls("")

    async def open(self) -> Identity:
        raise DeviceError(self.why, device=self.name)

    async def close(self) -> None:
        pass

    async def health(self) -> Health:
        return Health("ok")

    async def set_level(self, level: float) -> None:
        pass

    async def level(self) -> float:
        return 0.0


@pytest.mark.parametrize("why", ["lamp: the controller is set otherwise.", "the controller is set otherwise."])
async def test_a_device_that_names_itself_is_named_once(why: str) -> None:
    """'stage: stage: the controller is set otherwise' was said."""
    with pytest.raises(DeviceError) as refused:
        await open_all(Assembly({}, {"lamp": Lamp(why)}, {}))
    assert refused.value.text == "lamp: the controller is set otherwise."
