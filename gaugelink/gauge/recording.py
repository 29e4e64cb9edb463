"""A recording of what a gauge sent: an open text format that a person can read, mail and replay.

One JSON object (RFC 8259) to a line, UTF-8. The first line is the header, an object with ``"recording":
"gaugelink"`` and ``"version": 1`` and, where known, ``gauge``, ``how``, ``service``, ``characteristic``, ``started``
(RFC 3339) and ``note``. Every other line has ``t_s``, seconds of a monotonic clock, never falling, and one of

- ``hex``: the bytes of one frame, in hexadecimal;
- ``display`` with ``unit``: what the gauge's own display showed at this moment, as a person read it; with ``hold_s``,
  for how many seconds before it the pressure had been held, and ``step``, the smallest step of the display;
- ``link``: ``lost`` or ``back``.
"""

import json
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Annotated, Literal, Self, TextIO

from pydantic import Field, ValidationError, model_validator

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError
from gaugelink.gauge.fields import Finite, HexBytes
from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import How
from gaugelink.gauge.samples import SampleBatch
from gaugelink.reasons import reason, why_unwritten
from gaugelink.settings import Settings, explain


class RecordingHeader(Settings):
    """The first line."""

    recording: Literal["gaugelink"] = "gaugelink"
    version: Literal[1] = 1
    gauge: str = ""
    """Name or address of the gauge."""
    how: How = How.NOTIFY
    service: str | None = None
    characteristic: str | None = None
    started: str | None = None
    """Wall time of the first line, RFC 3339."""
    note: str = ""


class Entry(Settings):
    """Any other line."""

    t_s: Finite
    """Monotonic time of arrival, in seconds."""
    hex: HexBytes | None = None
    """The bytes of one frame."""
    display: Finite | None = None
    """What the gauge's display showed, in `unit`."""
    unit: PressureUnit | None = None
    hold_s: Annotated[float, Field(gt=0, le=600)] | None = None
    """For how many seconds before `t_s` the pressure had been held; 1 when it is not said."""
    step: Annotated[float, Field(gt=0)] | None = None
    """Smallest step of the display, in `unit`; its last digit written when it is not said."""
    link: Literal["lost", "back"] | None = None

    @model_validator(mode="after")
    def _one_thing(self) -> Self:
        if sum(part is not None for part in (self.hex, self.display, self.link)) != 1:
            raise ValueError("a line has one of hex, display, link")
        if (self.display is None) != (self.unit is None):
            raise ValueError("display and unit go together")
        if (self.hold_s is not None or self.step is not None) and self.display is None:
            raise ValueError("hold_s and step go with display")
        return self


class Recording(Settings):
    """A whole recording."""

    header: RecordingHeader
    entries: tuple[Entry, ...]

    @property
    def frames(self) -> list[tuple[float, bytes]]:
        """Time of arrival in seconds and bytes of every frame."""
        return [(entry.t_s, bytes.fromhex(entry.hex)) for entry in self.entries if entry.hex is not None]


def parse_recording(lines: Iterable[str], name: str) -> Recording:
    """Read a recording from its lines. Raises RecordingError with `name` and the line's number."""
    header: RecordingHeader | None = None
    entries: list[Entry] = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        where = f"{name}, line {number}"
        try:
            value = json.loads(line)
        except ValueError as error:
            raise RecordingError(f"{where}: this is not JSON: {error}.") from error
        except RecursionError as error:
            raise RecordingError(f"{where}: this is nested too deeply; a line is one flat object.") from error
        try:
            if header is None:
                header = RecordingHeader.model_validate(value)
                continue
            entry = Entry.model_validate(value)
        except ValidationError as error:
            model = RecordingHeader if header is None else Entry
            raise RecordingError(explain(error, model, where)) from error
        if entries and entry.t_s < entries[-1].t_s:
            raise RecordingError(f"{where}: t_s = {entry.t_s} is before the line above, {entries[-1].t_s}.")
        entries.append(entry)
    if header is None:
        raise RecordingError(f"{name}: this is empty; a recording starts with a header line.")
    return Recording(header=header, entries=tuple(entries))


def _is_cut(last_line: str) -> bool:
    """Whether a recording's last line is the beginning of one: the disk was full, or the power went."""
    if last_line.endswith("\n") or not last_line.startswith("{"):
        return False
    try:
        json.loads(last_line)
    except RecursionError:
        # That is told with the line's number.
        return False
    except ValueError:
        return True
    return False


def read_recording(path: Path) -> Recording:
    """Read a recording file. A last line that was cut as it was written is left out. Raises RecordingError."""
    try:
        with path.open(encoding="utf-8-sig") as file:
            lines = list(file)
        return parse_recording(lines[:-1] if len(lines) > 1 and _is_cut(lines[-1]) else lines, path.name)
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError(f"{path}: this cannot be read: {reason(error)}.") from error


class RecordingWriter:
    """Writes a recording, line by line, so that what was recorded before a crash is whole."""

    def __init__(self, path: Path, header: RecordingHeader) -> None:
        self._path = path
        self._header = header
        self._file: TextIO | None = None

    def __enter__(self) -> Self:
        try:
            self._file = self._path.open("x", encoding="utf-8", buffering=1)
        except OSError as error:
            why = why_unwritten(error)
            raise RecordingError(f"{self._path}: a recording cannot be started here: {why}.") from error
        self._write(self._header)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        file, self._file = self._file, None
        if file is None:
            return
        try:
            file.close()
        except OSError as failed:
            # What could not be written is tried once more here; where it was told already, that is the same fault.
            if not isinstance(error, RecordingError):
                raise RecordingError(self._unwritten(failed)) from failed

    def frame(self, arrival_s: float, payload: bytes) -> None:
        """Write one frame."""
        self._write(Entry(t_s=arrival_s, hex=payload.hex()))

    def display(self, now_s: float, shown: float, unit: PressureUnit, step: float, hold_s: float = 1.0) -> None:
        """Write what the gauge's display showed, in steps of `step`, held for `hold_s` seconds until now."""
        self._write(Entry(t_s=now_s, display=shown, unit=unit, step=step, hold_s=hold_s))

    def link(self, now_s: float, state: Literal["lost", "back"]) -> None:
        """Write that the link was lost or is back."""
        self._write(Entry(t_s=now_s, link=state))

    def _write(self, line: Settings) -> None:
        if self._file is None:
            raise RecordingError(f"{self._path}: the recording is not open.")
        try:
            self._file.write(line.model_dump_json(exclude_none=True) + "\n")
        except OSError as error:
            raise RecordingError(self._unwritten(error)) from error

    def _unwritten(self, error: OSError) -> str:
        return f"{self._path}: the recording cannot be written: {why_unwritten(error)}."


def replay(recording: Recording, reader: FrameReader) -> list[SampleBatch]:
    """Feed a recording to a reader; the batches that come out, in order."""
    batches = []
    for entry in recording.entries:
        if entry.link == "lost":
            reader.link_lost(entry.t_s)
        elif entry.link == "back":
            reader.reconnected()
        elif entry.hex is not None:
            batch = reader.feed(bytes.fromhex(entry.hex), entry.t_s)
            if batch is not None:
                batches.append(batch)
    rest = reader.rest()
    return batches if rest is None else [*batches, rest]
