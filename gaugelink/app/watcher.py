"""Who hears of what the service does, without having a say in it."""

from gaugelink.app.livefeed import LivePack
from gaugelink.app.step import Step
from gaugelink.broker.leak_messages import DecayProgress
from gaugelink.gauge.samples import LinkState


class Watcher:
    """What a screen or a rehearsal hears of the service. Every method may be overridden; none may block."""

    def stepped(self, step: Step) -> None:
        """Something happened, and it is on disk."""

    def sampled(self, gauge: str, pack: LivePack) -> None:
        """The pressure went on."""

    def leaking(self, progress: DecayProgress) -> None:
        """A leak-down goes on."""

    def linked(self, state: LinkState) -> None:
        """A gauge's link changed."""

    def troubled(self, sentence: str) -> None:
        """Something is wrong, or right again when the sentence is empty."""

    def listening(self, address: str) -> None:
        """Where the broker is."""
