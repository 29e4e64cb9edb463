"""The abstract edge: a radio, a replayed file and a simulated gauge all look like this to the house."""

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator
from types import TracebackType
from typing import Self

from gaugelink.gauge.samples import LinkState, SampleBatch


class GaugeLink(ABC):
    """One gauge, supervised: found, connected, listened to and found again until it is closed.

    Used as ``async with link: async for item in link.items(): ...``. Batches and states come in the order
    in which they happened.
    """

    name: str
    """The gauge's name in the shop file."""

    @abstractmethod
    async def __aenter__(self) -> Self:
        """Start looking for the gauge. Returns at once; what happens then comes out of `items`."""

    @abstractmethod
    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of the gauge, within two seconds whatever the radio is doing."""

    @abstractmethod
    def items(self) -> AsyncIterator[SampleBatch | LinkState]:
        """Iterate over what the gauge sends and how its link stands, until the link is closed."""
