"""The service as a person in front of it sees it: beside all it does, whether its broker is there."""

from gaugelink.app.daemon import Daemon
from gaugelink.counting import counted
from gaugelink.errors import JournalError


class FrontDaemon(Daemon):
    """One bench's service with somebody in front of it."""

    async def broker_trouble(self) -> str:
        """That the broker is away, and how many messages are kept for it; empty while it is there."""
        if self._broker is None or self._journal is None or self.stopped.is_set() or not self._broker.away:
            return ""
        try:
            kept = (await self._journal.outbox_depth()).count
        except JournalError:
            # What is wrong with the disk is told by itself; how much waits cannot be told then.
            return "broker away"
        return f"broker away, {counted(kept, 'message')} kept"
