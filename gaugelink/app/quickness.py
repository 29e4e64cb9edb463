"""How quick a live gauge is, from recordings of it being let go: what to state of it, or why that is not known yet."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from gaugelink.app.traces import arrival_in, read_trace, refused_by, rounding_in
from gaugelink.counting import counted
from gaugelink.errors import RecordingError
from gaugelink.gauge.config import LONGEST_LIVE_LAG_S
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.peak.fit_event import ROD_RATIO
from gaugelink.peak.pulse import SHAPE_PRIOR_MEAN
from gaugelink.peak.response import BlurredPulse, Response
from gaugelink.peak.step_response import FEWEST_FALLS, StepResponse, step_response
from gaugelink.peak.sudden import SuddenFall, UnusableFall, sudden_falls

SPEEDS_RPM: Final = (300.0, 600.0)
"""Cranking speeds at which it is told what a gauge does not show."""
LEAVES_OPEN, LEAVES_OPEN_OF_IT = 0.03, 0.75
"""What is not shown of a stroke at the higher of them is left open when the ends of its 95 % interval are further apart
than that, as a share of the stroke, and than that share of what is not shown: then to state it may do more harm than
good."""
_ONE_PACE: Final = 0.02


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A fall that was not used."""

    file: str
    fall: UnusableFall


@dataclass(frozen=True, slots=True)
class Quickness:
    """What the falls tell; `response` is None when they are too few."""

    rate_hz: float
    falls: int
    left_out: tuple[LeftOut, ...]
    response: StepResponse | None

    @property
    def stated(self) -> Response | None:
        """Lag and average, rounded to what a shop file states; None when the falls leave them open, and of a gauge that
        no statement helps."""
        found = self.response
        if found is None or self.leaves_open or self.too_slow:
            return None
        return Response(round(found.lag_s, 4), round(found.averaging_s, 4))

    @property
    def too_slow(self) -> bool:
        """Whether the lag is longer than can be taken out of strokes."""
        return self.response is not None and self.response.lag_s > LONGEST_LIVE_LAG_S

    @property
    def leaves_open(self) -> bool:
        """Whether what is not shown of a stroke lies further apart than `LEAVES_OPEN`."""
        if self.response is None:
            return True
        low, high = self.between(SPEEDS_RPM[-1])
        likely = not_shown(Response(self.response.lag_s, self.response.averaging_s), SPEEDS_RPM[-1])
        return high - low > max(LEAVES_OPEN, LEAVES_OPEN_OF_IT * likely)

    def between(self, rpm: float) -> tuple[float, float]:
        """Between which shares of a usual stroke's height the gauge does not show at that speed, with 95 %.

        Raises:
            ValueError: the falls were too few.
        """
        if self.response is None:
            raise ValueError("too few falls")
        found = self.response
        shares = np.array(
            [not_shown(Response(lag_s, averaging_s), rpm) for averaging_s in found.averages_s for lag_s in found.lags_s]
        )
        order = np.argsort(shares)
        upto = np.cumsum(found.probability.ravel()[order])
        low, high = np.searchsorted(upto, (0.025, 0.975))
        return float(shares[order[low]]), float(shares[order[min(high, len(order) - 1)]])


def not_shown(response: Response, rpm: float) -> float:
    """Share of a usual stroke's height that a gauge of this response does not show at a crank's speed."""
    if not response.blurs:
        return 0.0
    return 1.0 - float(BlurredPulse(SHAPE_PRIOR_MEAN, ROD_RATIO, np.array([rpm * np.pi / 30.0]), response).tops[0])


def quickness(
    files: Sequence[Path],
    resolution_kpa: float | None = None,
    layout: GaugeLayout | None = None,
    remark: Callable[[str], None] | None = None,
) -> Quickness:
    """Take the sudden falls of all files together; they are of one gauge. What is doubtful of a file goes to `remark`.

    Raises:
        RecordingError: a file cannot be read, or was recorded at another rate than the first.
    """
    falls: list[SuddenFall] = []
    left_out: list[LeftOut] = []
    spacing_s = 0.0
    for path in files:
        trace = read_trace(path, layout)
        for said in (refused_by(trace), rounding_in(trace), arrival_in(trace)):
            if said is not None and remark is not None:
                remark(said)
        own_s = float(np.median(np.diff(trace.time_s)))
        if spacing_s and abs(own_s / spacing_s - 1.0) > _ONE_PACE:
            raise RecordingError(
                f"{path}: found {1.0 / own_s:.4g} samples/s, expected the {1.0 / spacing_s:.4g} of {files[0]}: give "
                "recordings of one gauge at one rate."
            )
        spacing_s = spacing_s or own_s
        quick, unusable = sudden_falls(trace.time_s, trace.pressure_kpa, resolution_kpa)
        falls += quick
        left_out += [LeftOut(path.name, fall) for fall in unusable]
    response = step_response(falls, spacing_s) if len(falls) >= FEWEST_FALLS else None
    return Quickness(1.0 / spacing_s, len(falls), tuple(left_out), response)


def as_json(found: Quickness) -> dict[str, object]:
    """The result as one JSON object; what is not known is null."""
    response, stated = found.response, found.stated
    document: dict[str, object] = {
        "rate_hz": round(found.rate_hz, 4),
        "falls": found.falls,
        "left_out": [
            {"file": one.file, "time_s": round(one.fall.at_s, 3), "why": one.fall.why} for one in found.left_out
        ],
        "averaging_s": None if stated is None else stated.averaging_s,
        "lag_s": None if stated is None else stated.lag_s,
    }
    if response is not None:
        document["averaging_between_s"] = [round(each, 5) for each in response.averaging_interval_s]
        document["lag_between_s"] = [round(each, 5) for each in response.lag_interval_s]
        document["not_shown"] = {f"{rpm:.0f}": [round(each, 4) for each in found.between(rpm)] for rpm in SPEEDS_RPM}
    return document


def lines_of(found: Quickness) -> list[str]:
    """The result in words, a line each."""
    out = [f"{counted(found.falls, 'sudden fall')} at {found.rate_hz:.4g} samples/s."]
    out += [f"Left out: {one.file}, {one.fall.at_s:.1f} s: {one.fall.why}." for one in found.left_out]
    response = found.response
    if response is None:
        return [*out, f"At least {FEWEST_FALLS} are needed, a dozen is better: each shows another place of the fall."]
    out += [
        f"  average  {_ms(response.averaging_s, response.averaging_interval_s)}",
        f"  lag      {_ms(response.lag_s, response.lag_interval_s)}",
    ]
    fast_rpm = SPEEDS_RPM[-1]
    low, high = (100.0 * each for each in found.between(fast_rpm))
    if found.too_slow:
        return [
            *out,
            f"A lag of more than {1e3 * LONGEST_LIVE_LAG_S:g} ms is longer than strokes are and cannot be taken out of "
            'them: the gauge can be read behind a check valve (kind = "held"), and not live.',
        ]
    stated = found.stated
    if stated is None:
        return [
            *out,
            f"That leaves open whether {low:.0f} or {high:.0f} % of a stroke at {fast_rpm:.0f} rpm is not shown. "
            "Record a dozen falls more, as sudden as can be, and give all recordings.",
        ]
    lost = 100.0 * not_shown(stated, fast_rpm)
    return [
        *out,
        f"Until that is stated, a usual stroke at {fast_rpm:.0f} rpm is read too low by {lost:.1f} % ({low:.1f} to "
        f"{high:.1f})."
        if stated.blurs
        else f"A usual stroke at {fast_rpm:.0f} rpm is shown whole, or too low by {high:.1f} % at most.",
        "In the gauge's entry of the shop file:",
        f"  averaging_s = {stated.averaging_s:g}",
        f"  lag_s = {stated.lag_s:g}",
    ]


def _ms(value_s: float, between_s: tuple[float, float]) -> str:
    low, high = (1e3 * each for each in between_s)
    return f"{1e3 * value_s:.1f} ms ({f'{low:.1f} to {high:.1f}' if low > 0.0 else f'at most {high:.1f}'})"
