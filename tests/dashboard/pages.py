"""A page whose bench and record are the test's to play."""

from dataclasses import dataclass, field

from starlette.applications import Starlette

from gaugelink.broker.commands import Command
from gaugelink.broker.messages import CommandResult
from gaugelink.dashboard.door import Door
from gaugelink.dashboard.hub import Hub
from gaugelink.dashboard.page import Page
from gaugelink.dashboard.record import Form, Machine, MachineRecord, RecordedTest, TrendRow
from gaugelink.errors import BrokerError, SettingsError
from tests.dashboard.said import BENCH, TRIPLE
from tests.dashboard.test_hub import Clock

HISTORY = MachineRecord(
    machine="ridge-7",
    per="season",
    tests=tuple(
        RecordedTest(
            test_id=f"test-{year}",
            at=f"{year}-11-02T10:00:00Z",
            kind="dry",
            word="consistent",
            spread_percent=2.0,
            readings_kpa={"PTO": pto, "MAG": mag},
            sea_level_kpa={"PTO": pto, "MAG": mag},
            sea_level_u_kpa={"PTO": 12.0},
        )
        for year, pto, mag in ((2024, 930.0, 925.0), (2025, 921.0, 880.0), (2026, 915.0, 931.0))
    ),
    jobs=(),
    trends=(TrendRow(cylinder="PTO", percent=-0.04, percent_u=1.2, is_wearing=False),),
    effects=(),
    says=("Over 3 tests no cylinder goes down by more than chance.",),
)


@dataclass
class PlayedReader:
    """Keeps commands, and answers them as the test has it."""

    asked: list[tuple[str, Command]] = field(default_factory=list)
    away: bool = False

    async def ask(self, bench: str, command: Command) -> CommandResult:
        if self.away:
            raise BrokerError("The broker is away: nothing was sent.")
        self.asked.append((bench, command))
        ok = command.action != "skip"
        return CommandResult(bench=bench, command_id=command.id, ok=ok, text=f"{command.action.value} heard.")


class PlayedRecord:
    """A record of one machine, and of one that was never tested."""

    async def history(self, machine: str) -> MachineRecord:
        if machine == "ridge-6":
            return HISTORY.model_copy(update={"machine": machine, "tests": (), "trends": (), "says": ()})
        if machine != "ridge-7":
            raise SettingsError(f"the fleet has no machine {machine!r}")
        return HISTORY

    async def report(self, test_id: str, form: Form) -> bytes:
        if test_id != "test-2026":
            raise SettingsError(f"The journal has no test {test_id}.")
        return f"<p>report as {form.value}</p>".encode()


@dataclass
class Played:
    """All parts of a page that is played."""

    door: Door = field(default_factory=Door)
    clock: Clock = field(default_factory=Clock)
    reader: PlayedReader = field(default_factory=PlayedReader)
    machines: tuple[Machine, ...] = (TRIPLE,)

    def __post_init__(self) -> None:
        self.hub = Hub([BENCH], self.clock)

    def app(self) -> Starlette:
        """The page."""
        page = Page(self.hub, self.reader, self.door, self.machines, PlayedRecord(), "All of this is invented.")
        return page.app(self.clock)
