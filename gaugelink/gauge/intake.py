"""Bytes of one gauge to frames, whichever of the layouts it has, with a tally of what was refused."""

from gaugelink.gauge.decode import Fault, Frame, FrameDecoder, LineDecoder
from gaugelink.gauge.layout import GaugeLayout


class Intake:
    """Decodes what a gauge sends. It never raises, whatever the bytes are."""

    __slots__ = ("_frames", "_lines", "long", "malformed", "short")

    def __init__(self, layout: GaugeLayout) -> None:
        self._lines = LineDecoder(layout) if layout.text is not None else None
        self._frames = FrameDecoder(layout) if layout.text is None else None
        self.malformed = self.short = self.long = 0
        """Frames, or lines, that became no pressure."""

    @property
    def refused(self) -> int:
        """All of those."""
        return self.malformed + self.short + self.long

    def restart(self) -> None:
        """The link was lost: an unfinished line is dropped."""
        if self._lines is not None:
            self._lines.restart()

    def decode(self, payload: bytes) -> list[Frame | None]:
        """Decode what came at once: one frame, or all lines that it completes; None for what was refused."""
        found: list[Frame | Fault] = []
        if self._frames is not None:
            found = [self._frames.decode(payload)]
        elif self._lines is not None:
            found = self._lines.decode(payload)
        for each in found:
            if isinstance(each, Fault):
                self._count(each)
        return [None if isinstance(each, Fault) else each for each in found]

    def _count(self, fault: Fault) -> None:
        if fault is Fault.SHORT:
            self.short += 1
        elif fault is Fault.LONG:
            self.long += 1
        else:
            self.malformed += 1
