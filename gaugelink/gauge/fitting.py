"""Whether what a connected gauge sends fits its layout: never so far, or not any more."""

from gaugelink.gauge.samples import FrameCounts

_MISFITS = 5
"""So many frames without a good one are no accident."""


class Fitting:
    """Follows the frames of one connection after the other. Times are seconds of one clock."""

    def __init__(self) -> None:
        self.heard = False
        """A good frame came in this connection."""
        self.good_s = 0.0
        """When the last one came."""
        self.lost = False
        """Good frames came in this connection, and now none does any more."""
        self._misfits = 0

    def connect(self) -> None:
        """A connection begins."""
        self.heard = self.lost = False
        self._misfits = 0

    def good(self, now_s: float) -> bool:
        """Take a good frame. Gives whether it is the first one, or the first one again."""
        begins = self.lost or not self.heard
        self.heard, self.lost = True, False
        self.good_s, self._misfits = now_s, 0
        return begins

    def other(self, refused: bool, now_s: float, limit_s: float) -> bool:
        """Take a frame that gave nothing. Gives whether it is to be told now that none fits.

        Before the first good frame a handful is enough. Later a repeat or a part of a line is no misfit, and a gauge
        may have something else to say for `limit_s`.
        """
        if self.lost or (self.heard and not refused):
            return False
        self._misfits += 1
        if not self.heard:
            return self._misfits == _MISFITS
        self.lost = self._misfits >= _MISFITS and now_s - self.good_s >= limit_s
        return self.lost

    def words(self, gauge: str, where: str, counts: FrameCounts) -> str:
        """What is wrong and the way out, for a person."""
        none = "No frame any more" if self.lost else "No frame"
        return (
            f"{none} of gauge {gauge!r} fits its layout: {counts.short} too short, {counts.long} too long, "
            f"{counts.malformed} malformed. `gaugelink inspect {where}` shows what it sends and "
            f"`gaugelink learn {where}` makes a layout for it."
        )
