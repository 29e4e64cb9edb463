"""Draws replayed events: samples, fitted pulses or steps, and each stroke's interval."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from gaugelink.app.replay import ReplayedEvent
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import GaugelinkError
from gaugelink.reasons import why_unwritten
from gaugelink.report.plain import flags_text

_INK, _FIT, _STROKE, _QUIET = "#1b2a38", "#d9822b", "#0b7a75", "#8a97a3"
_DENSE = 400
"""Samples of an event from which on their dots would hide what is drawn through them."""
_MOST = 24
"""Events in one picture; more would be too small to see anything in."""


def draw_events(found: Sequence[ReplayedEvent], unit: PressureUnit, path: Path) -> None:
    """Draw events below each other into a PNG file.

    Raises:
        GaugelinkError: there is nothing to draw, or the file cannot be written.
    """
    if not found:
        raise GaugelinkError("There is no event to draw: no cranking was found in the traces.")
    if len(found) > _MOST:
        raise GaugelinkError(f"Found {len(found)} events; one picture holds {_MOST}: replay fewer traces at once.")
    figure = Figure(figsize=(11, 3.6 * len(found)), layout="constrained")
    FigureCanvasAgg(figure)
    for axes, replayed in zip(figure.subplots(len(found), 1, squeeze=False)[:, 0], found, strict=True):
        event, samples = replayed.event, replayed.samples
        scale = unit.from_kpa(1.0)
        measured = (samples.pressure_kpa - event.zero_kpa) * scale
        axes.axhspan(
            (event.peak_kpa - event.peak_u_kpa) * scale,
            (event.peak_kpa + event.peak_u_kpa) * scale,
            color=_FIT,
            alpha=0.18,
            lw=0,
            label=f"peak {unit.doubt_text(event.peak_kpa, event.peak_u_kpa)}",
        )
        # the interval may be thinner than a line
        axes.axhline(event.peak_kpa * scale, color=_FIT, lw=0.8, alpha=0.7)
        if event.fitted is not None:
            axes.plot(
                event.fitted.time_s,
                event.fitted.pressure_kpa * scale,
                color=_FIT,
                lw=1.6,
                label="fit, as the gauge shows it",
                zorder=3,
            )
        dense = np.count_nonzero((samples.time_s > event.start_s) & (samples.time_s < event.end_s)) > _DENSE
        axes.plot(samples.time_s, measured, "o", ms=2.0 if dense else 3.5, color=_INK, alpha=0.8, label="samples")
        over = samples.over_range
        if over.any():
            axes.plot(samples.time_s[over], measured[over], "^", ms=6, color="#b3261e", label="over range")
        if event.strokes:
            axes.errorbar(
                [stroke.time_s for stroke in event.strokes],
                [stroke.peak_kpa * scale for stroke in event.strokes],
                yerr=[stroke.peak_u_kpa * scale for stroke in event.strokes],
                fmt="_",
                ms=11,
                mew=2,
                capsize=4,
                color=_STROKE,
                label="strokes, 95 % interval",
            )
        speed = "" if event.cranking_rpm is None else f", {event.cranking_rpm:.0f} rpm"
        flags = f"  ({flags_text(event.flags)})" if event.flags else ""
        name = Path(replayed.trace.file).name
        axes.set_title(f"{name}, event {replayed.number}: {event.kind.value}, {event.method.value}{speed}{flags}",
                       loc="left", fontsize=10, color=_INK)  # fmt: skip
        margin = 0.05 * max(event.end_s - event.start_s, 0.2)
        axes.set_xlim(max(samples.time_s[0], event.start_s - margin), min(samples.time_s[-1], event.end_s + margin))
        top = max([s.peak_kpa + s.peak_u_kpa for s in event.strokes] + [event.peak_kpa + event.peak_u_kpa])
        axes.set_ylim(min(0.0, float(np.min(measured))) - 0.03 * top * scale, 1.08 * top * scale)
        axes.set_ylabel(f"gauge pressure, {unit.value}")
        axes.set_xlabel("time, s")
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(axis="y", color=_QUIET, alpha=0.25)
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=8, frameon=False)
    try:
        figure.savefig(path, dpi=110, format="png")
    except OSError as error:
        raise GaugelinkError(f"{path}: the picture cannot be written: {why_unwritten(error)}.") from error
