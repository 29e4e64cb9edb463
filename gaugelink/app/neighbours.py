"""What a service offers to the shop's other servers beside its messages: health for monitoring, an announcement."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from gaugelink.app.discovery import announce
from gaugelink.app.metrics import Health, health_endpoint
from gaugelink.app.shopfile import Shop
from gaugelink.app.watcher import Watcher
from gaugelink.broker.link import BrokerLink
from gaugelink.journal import Journal


@asynccontextmanager
async def neighbours(shop: Shop, journal: Journal, broker: BrokerLink) -> AsyncIterator[tuple[Watcher, ...]]:
    """Offer what the shop file asks for until the block ends; gives who is to be told of what the service does.

    Raises:
        SettingsError: the port for monitoring is taken.
    """
    announce(shop, broker)
    port = shop.settings.metrics.port
    if port is None:
        yield ()
        return
    health = Health(shop.name, journal, broker)
    async with health_endpoint(port, health):
        yield (health,)
