"""Live pressure as a SenML pack (RFC 8428): one base record, then one short record for each sample.

The unit is Pa, because kPa is neither in the RFC's list of units (section 12.1) nor among the secondary units of
RFC 8798 (section 3). The base name is the gauge's topic, so names are unique on the broker.
"""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pydantic import ConfigDict, Field, RootModel

from gaugelink.broker.message import ROOT, Part
from gaugelink.broker.received import read_message
from gaugelink.errors import BrokerError


class SenmlRecord(Part):
    """One record of a pack (RFC 8428, table 1)."""

    model_config = ConfigDict(
        frozen=True, extra="ignore", use_attribute_docstrings=True, allow_inf_nan=False, populate_by_name=True
    )

    bn: str | None = None
    """Base name: put before every name that follows."""
    bt: float | None = None
    """Base time in seconds since 1970-01-01 UTC: added to every time that follows."""
    n: str | None = None
    """Name: ``pressure``."""
    u: str | None = None
    """Unit: ``Pa``."""
    v: float | None = None
    """Value: gauge pressure in Pa, the zero taken off."""
    vb: bool | None = None
    """Boolean value: with the name ``over_range``, true when the gauge could not show all of the pressure."""
    t: float | None = None
    """Time in seconds, added to the base time."""


class LivePressure(RootModel[tuple[SenmlRecord, ...]]):
    """Thinned live pressure of one gauge. It is for looking at: samples may be left out, and it is never repeated."""

    model_config = ConfigDict(frozen=True)

    root: tuple[SenmlRecord, ...] = Field(min_length=1)


class _Record(SenmlRecord):
    """A record as anyone may write it (RFC 8428, table 1), a value in one of its fields."""

    model_config = ConfigDict(frozen=True, extra="allow", allow_inf_nan=False, strict=True)

    bu: str | None = None
    bv: float | None = None
    bs: float | None = None
    s: float | None = None
    vs: str | None = None
    vd: str | None = None


class _Pack(RootModel[tuple[_Record, ...]]):
    """A pack as anyone may write it."""


@dataclass(frozen=True, slots=True)
class Resolved:
    """A SenML record with its base taken in (RFC 8428, section 4.6)."""

    name: str
    unit: str | None
    time_s: float
    """Seconds since 1970-01-01 UTC, or relative to now when below 2**28 (RFC 8428, section 4.5.3)."""
    value: float | str | bool | None


def live_pressure(
    bench: str,
    gauge: str,
    base_at: datetime,
    time_s: Sequence[float],
    pressure_kpa: Sequence[float],
    *,
    over_range: bool = False,
) -> str:
    """Write live samples of one gauge as a SenML pack.

    Args:
        bench: the bench's name.
        gauge: the gauge's name.
        base_at: wall time of `time_s` = 0.
        time_s: seconds, any length from 1 on.
        pressure_kpa: gauge pressure, zero taken off, as long as `time_s`.
        over_range: whether any of the samples was over the gauge's range.
    """
    if not time_s or len(time_s) != len(pressure_kpa):
        raise BrokerError(f"A pack needs as many pressures as times, found {len(pressure_kpa)} and {len(time_s)}.")
    base: dict[str, Any] = {"bn": f"{ROOT}/{bench}/gauge/{gauge}/", "bt": round(base_at.timestamp(), 6)}
    # The unit stands in each record, not as a base unit, which would be taken for that of `over_range` as well.
    records: list[dict[str, Any]] = [
        {"n": "pressure", "u": "Pa", "v": round(kpa * 1000.0, 1), "t": round(t, 6)}
        for t, kpa in zip(time_s, pressure_kpa, strict=True)
    ]
    records[0] = base | records[0]
    if over_range:
        records.append({"n": "over_range", "vb": True, "t": round(time_s[-1], 6)})
    return json.dumps(records, separators=(",", ":"), allow_nan=False)


def resolve(pack: str | bytes) -> list[Resolved]:
    """Read a SenML pack in JSON and take its base fields into every record (RFC 8428, section 4.6).

    A field that is null counts as one that is not there, as in the contract.

    Raises:
        BrokerError: it is not a SenML pack, or a time or value with its base taken in is beyond what a number holds.
    """
    try:
        records = read_message(_Pack, pack if isinstance(pack, bytes) else pack.encode()).root
    except BrokerError as error:
        raise BrokerError(f"This is no SenML pack, a JSON array of records: {error}.") from error
    base_name, base_unit, base_time, base_value = "", None, 0.0, 0.0
    resolved = []
    for record in records:
        unknown = [key for key in record.model_extra or () if key.endswith("_")]
        if unknown:
            raise BrokerError(f"The SenML field {unknown[0]!r} must be understood (RFC 8428, section 4.4) and is not.")
        base_name = base_name if record.bn is None else record.bn
        base_unit = base_unit if record.bu is None else record.bu
        base_time = base_time if record.bt is None else record.bt
        base_value = base_value if record.bv is None else record.bv
        time_s = base_time + (record.t or 0.0)
        if record.v is not None or record.bv is not None:
            value: float | str | bool | None = base_value + (record.v or 0.0)
        else:
            value = next((one for one in (record.vs, record.vb, record.vd) if one is not None), None)
        if not math.isfinite(time_s) or (isinstance(value, float) and not math.isfinite(value)):
            raise BrokerError("A SenML time or value with its base taken in is beyond what a number holds.")
        unit = base_unit if record.u is None else record.u
        resolved.append(Resolved(base_name + (record.n or ""), unit, time_s, value))
    return resolved
