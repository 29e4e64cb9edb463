"""Checks a shop file without starting anything: mistakes that stop it, and remarks on what will not work here."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from gaugelink.app.shopfile import Mistakes, Shop, load_shop, named_journal
from gaugelink.bench.voice import faults
from gaugelink.counting import counted
from gaugelink.errors import JournalError
from gaugelink.gauge.config import LONGEST_AVERAGING_S, KindSetting
from gaugelink.journal.opening import check_version

THIN_KPA = 50.0
"""Less than this is the air above 5,570 m (ISO 2533)."""
INHG_KPA = 3.38639
"""An inch of mercury, conventional (NIST SP 811, B.8)."""


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What is right and wrong with a shop file."""

    file: str
    mistakes: tuple[str, ...]
    """Each stops the service from starting."""
    remarks: tuple[str, ...]
    """Each is something that will not work on this machine."""
    summary: str

    def as_json(self) -> dict[str, object]:
        """The report as JSON values."""
        return {
            "file": self.file,
            "ok": not self.mistakes,
            "mistakes": list(self.mistakes),
            "remarks": list(self.remarks),
        }


def check_shop(file: Path) -> CheckReport:
    """Read a shop file and everything that it names."""
    mistakes, shop, secret = Mistakes(), None, None
    with mistakes.noted():
        shop = load_shop(file)
    if shop is not None:
        with mistakes.noted():
            secret = shop.settings.broker.password()
        with mistakes.noted():
            shop.settings.broker.tls_context()
    # A shop file with mistakes may still say where its journal is.
    journal = shop.journal if shop is not None else named_journal(file)
    if journal is not None:
        mistakes.lines += _journal_mistakes(file, journal)
    if shop is None or mistakes.lines:
        return CheckReport(str(file), tuple(dict.fromkeys(mistakes.lines)), (), "")
    remarks = list(faults(shop.settings.voice))
    if shop.settings.broker.username is not None and secret is None:
        remarks.append("The broker has a username but no password is set; it will be tried without one.")
    if shop.settings.bench.altitude_m is None and shop.settings.bench.barometer_abs_kpa is None:
        remarks.append("Neither altitude_m nor barometer_abs_kpa is set in [bench]; sea level will be assumed.")
    barometer_kpa = shop.settings.bench.barometer_abs_kpa
    if barometer_kpa is not None and barometer_kpa < THIN_KPA:
        remarks.append(
            f"barometer_abs_kpa is {barometer_kpa:g}, the air of a height that no shop is at. If the barometer shows "
            f"inches of mercury, that is {INHG_KPA * barometer_kpa:.1f} kPa."
        )
    remarks += [
        f"The gauge {gauge.name} has no accuracy_kpa: the uncertainty of its readings is then without the gauge's own "
        "error, unless it is calibrated. Its data sheet or certificate has the limits of error."
        for gauge in shop.settings.gauges
        if gauge.accuracy_kpa is None
    ]
    remarks += [
        f"The gauge {gauge.name} is live and has no averaging_s: if its samples are means, as many converters give "
        "them, its readings are low. Its maker can tell over which time, 0 if they are not; `gaugelink response` "
        "measures it."
        for gauge in shop.settings.gauges
        if gauge.kind is KindSetting.LIVE and gauge.averaging_s is None
    ]
    remarks += [
        f"The gauge {gauge.name} averages over {gauge.averaging_s:g} s, much of a stroke: what its tops were is then "
        f"hardly seen, and their intervals are wide and may be too narrow yet. {LONGEST_AVERAGING_S:g} s is the most "
        "that can be taken out well."
        for gauge in shop.settings.gauges
        if gauge.kind is not KindSetting.HELD and (gauge.averaging_s or 0.0) > LONGEST_AVERAGING_S
    ]
    return CheckReport(str(file), (), tuple(remarks), _summary(shop))


def _journal_mistakes(file: Path, journal: Path) -> Iterator[str]:
    """Why the journal cannot be written where the shop file has it."""
    there = os.path.exists(journal)
    # The nearest folder that is there: those below it would be made.
    folder = next(one for one in journal.parents if os.path.exists(one))
    found = f"{file}: bench.journal: found {journal}"
    if os.path.isdir(journal):
        yield f"{found}, which is a folder; name a file in it."
    elif not os.path.isdir(folder):
        yield f"{found}, but {folder} is no folder; give another place."
    elif not os.access(folder, os.W_OK | os.X_OK) or (there and not os.access(journal, os.R_OK | os.W_OK)):
        # A log and a lock lie beside the journal, so its folder must be writable too.
        yield f"{found}, where this user may not write; give another place."
    elif there:
        try:
            check_version(journal)
        except JournalError as error:
            yield f"{file}: bench.journal: {error}"


def _summary(shop: Shop) -> str:
    gauges = ", ".join(gauge.name for gauge in shop.settings.gauges)
    machines = counted(len(shop.fleet.machine), "machine")
    return f"{shop.file} is good: bench {shop.name}, gauges {gauges}, {machines} in the fleet."
