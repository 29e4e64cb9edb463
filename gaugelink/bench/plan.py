"""What is to be measured: the cylinders in order, by which gauge, how often, and under what conditions."""

from collections.abc import Mapping, Sequence
from enum import StrEnum
from itertools import zip_longest
from typing import Annotated, Self

from pydantic import Field, field_validator, model_validator

from gaugelink.engine.fleet import CrankedBy as CrankedBy
from gaugelink.settings import Settings


class TestKind(StrEnum):
    """Dry, or with a spoonful of oil in each cylinder."""

    __test__ = False

    DRY = "dry"
    WET = "wet"


class PowerValves(StrEnum):
    """Position of the exhaust valves of a two-stroke that has them: it changes the trapped volume."""

    NONE = "none"
    CLOSED = "closed"
    OPEN = "open"
    UNKNOWN = "unknown"


SIDE_PLACES = {"PTO": "clutch side", "middle": "between the others", "MAG": "ignition side"}
"""Where the side-named cylinders are. PTO is the power take-off, so the clutch side; MAG the magneto, so the
ignition side (common practice, no source)."""


class Conditions(Settings):
    """What else moves a compression reading. Everything that is not known stays None and is reported so."""

    altitude_m: Annotated[float, Field(ge=-500, le=9000)] | None = None
    """Height above sea level in metres, where no barometer is at hand."""
    barometer_kpa: Annotated[float, Field(ge=30, le=110)] | None = None
    """Ambient pressure at the engine (absolute, not reduced to sea level), kPa."""
    air_temperature_c: Annotated[float, Field(ge=-60, le=60)] | None = None
    """Air temperature, degrees Celsius."""
    engine_warm: bool | None = None
    throttle_open: bool | None = None
    plugs_out: bool | None = None
    """All plugs out, not only the one under the gauge."""
    power_valves: PowerValves = PowerValves.UNKNOWN
    cranked_by: CrankedBy | None = None
    oil_ml: Annotated[float, Field(ge=0, le=100)] | None = None
    """Oil put into each cylinder for a wet test, millilitres."""
    adapter_cm3: Annotated[float, Field(ge=0, le=100)] | None = None
    """Volume that the gauge adds to the chamber in place of the plug, cm3: the adapter and, without a check valve, the
    hose up to the sensor; with one, only up to the valve."""


class Expected(Settings):
    """What a cylinder read in an earlier test of the same machine."""

    peak_kpa: Annotated[float, Field(gt=0, le=10000)]
    """Gauge pressure, kPa."""
    u_kpa: Annotated[float, Field(ge=0, le=10000)] = 0.0
    """Expanded uncertainty, coverage about 95 %, kPa."""


class Plan(Settings):
    """A test as it is meant to run. It does not change once the test has begun."""

    test_id: Annotated[str, Field(min_length=1, max_length=64)]
    machine: Annotated[str, Field(max_length=100)] = ""
    engine: Annotated[str, Field(max_length=100)] = ""
    cylinders: tuple[Annotated[str, Field(min_length=1, max_length=40)], ...] = Field(min_length=1, max_length=24)
    """Cylinder names in the order in which they are measured."""
    gauges: dict[str, str]
    """Which gauge measures which cylinder. The name of one gauge alone means that it is moved through them all."""
    repeats: Annotated[int, Field(ge=1, le=10)] = 2
    """Readings of a cylinder that must agree."""
    agreement: Annotated[float, Field(gt=0, le=0.5)] = 0.03
    """Largest difference between repeats that agree, as a share of their mean; their uncertainty where that is more."""
    max_tries: Annotated[int, Field(ge=1, le=30)] = 5
    """Pulls on one cylinder before the test goes on without agreement, and says so."""
    kind: TestKind = TestKind.DRY
    conditions: Conditions = Conditions()
    places: dict[str, str] = Field(default_factory=dict)
    """Where each cylinder is, said the first time it comes up: ``{"PTO": "clutch side"}``."""
    asks_ready: bool = False
    """Whether the first prompt asks for all plugs out and the throttle wide open, unless `conditions` say that it is
    otherwise. False for a test that was begun by a version that did not ask."""
    note: str = ""
    """What the fleet file notes of the machine: said with the cautions."""
    expected: dict[str, Expected] = Field(default_factory=dict)
    """Earlier readings of the same cylinders: what tells two exchanged cylinders apart."""

    @field_validator("cylinders")
    @classmethod
    def _names_differ(cls, cylinders: tuple[str, ...]) -> tuple[str, ...]:
        twice = {name for name in cylinders if cylinders.count(name) > 1}
        if twice:
            raise ValueError(f"each cylinder comes once, found more than one {', '.join(sorted(twice))}")
        return cylinders

    @model_validator(mode="before")
    @classmethod
    def _one_gauge_for_all(cls, data: object) -> object:
        if isinstance(data, dict) and isinstance(data.get("gauges"), str):
            return {**data, "gauges": dict.fromkeys(data.get("cylinders", ()), data["gauges"])}
        return data

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        for what, names in (("gauges", self.gauges), ("places", self.places), ("expected", self.expected)):
            unknown = set(names) - set(self.cylinders)
            if unknown:
                raise ValueError(f"{what}: no cylinder is called {', '.join(sorted(unknown))}")
        missing = [name for name in self.cylinders if name not in self.gauges]
        if missing:
            raise ValueError(f"gauges: no gauge for {', '.join(missing)}")
        if self.repeats > self.max_tries:
            raise ValueError(f"max_tries: {self.max_tries} tries cannot hold {self.repeats} repeats")
        return self

    @property
    def asked_for(self) -> tuple[bool, bool]:
        """Whether the first prompt asks for all plugs out, and for the throttle wide open."""
        given = self.conditions
        return self.asks_ready and given.plugs_out is not False, self.asks_ready and given.throttle_open is not False


def lane(gauges: Mapping[str, str], cylinders: Sequence[str], gauge: str) -> tuple[str, ...]:
    """Return the cylinders of one gauge in order, empty when it has none. `gauges` names each cylinder's gauge."""
    return tuple(name for name in cylinders if gauges[name] == gauge)


def stations(gauges: Mapping[str, str], cylinders: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    """Return the cylinders that are cranked together, in order: one each for a gauge that is moved, all at once for one
    gauge each. `gauges` names each cylinder's gauge."""
    lanes = [lane(gauges, cylinders, gauge) for gauge in dict.fromkeys(gauges[name] for name in cylinders)]
    return tuple(tuple(name for name in row if name is not None) for row in zip_longest(*lanes))
