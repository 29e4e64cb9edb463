"""The shop file is read whole, or refused with every mistake named; secrets stay out of sight."""

import errno
import os
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from gaugelink.app.check import check_shop
from gaugelink.app.cli import app
from gaugelink.app.shopfile import load_shop
from gaugelink.errors import SettingsError
from tests.app.shops import SHOP, shop_in, write_shop

ROOT = Path(__file__).parents[2]
_ENGINE = '[[engines]]\nid = "single"\nname = "Single"\ncycle = 2\ncylinders = ["one"]\n'
_GAUGE = '[[gauges]]\nname = "{}"\naddress = "F0:5A:00:00:00:0A"\n'


def refused(tmp_path: Path, text: str) -> str:
    with pytest.raises(SettingsError) as caught:
        shop_in(tmp_path, text)
    return str(caught.value)


def test_a_good_shop_file_gives_its_machines_gauges_and_journal(tmp_path: Path) -> None:
    shop = shop_in(tmp_path)
    assert shop.fleet.engine_of("north-7").cylinder_names == ("PTO", "middle", "MAG")
    assert shop.journal == tmp_path / "bay-3.db"
    assert shop.layouts == {"amber": None}


def test_the_example_shop_file_is_good() -> None:
    report = check_shop(ROOT / "config" / "shop.toml")
    assert report.mistakes == ()
    assert "north-7" in {machine.id for machine in load_shop(ROOT / "config" / "shop.toml").fleet.machine}


def test_a_copy_of_the_example_folder_is_good(tmp_path: Path) -> None:
    copied = shutil.copytree(ROOT / "config", tmp_path / "my-shop")
    assert check_shop(copied / "shop.toml").mistakes == ()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("altitude_m = 200", "altitude = 200", "bench.altitude: this key is not known"),
        ("altitude_m = 200", "altitude = 200", "Did you mean 'altitude_m'?"),
        ("altitude_m = 200", 'altitude_m = "high"', "bench.altitude_m: found 'high'"),
        ("altitude_m = 200", "altitude_m = 200\nbarometer_abs_kpa = 99", "give altitude_m or barometer_abs_kpa"),
        ("altitude_m = 200", 'display_unit = "pis"', "Did you mean 'psi'?"),
        ("altitude_m = 200", 'display_unit = "PSI"', "Did you mean 'psi'?"),
        ("[[gauges]]", "[gauges]", "gauges: found one table, [gauges]; expected a list of them: write [[gauges]]"),
        ("[bench]", "[[bench]]", "bench: found a list of tables, [[bench]]; expected one: write [bench]."),
        ('engine = "triple"', 'engine = "tripel"', "has the engine 'tripel'; known engines: triple"),
        ("repeats = 2", 'machine = "north-8"', "test.machine: found 'north-8'; machines of the fleet: north-7"),
        ('kind = "held"', 'layout = "none.toml"', "there is no such layout file"),
        ("[test]", '[[gauges]]\nname = "amber"\nservice = "181a"\n[test]', "two gauges are called amber"),
        ("[test]", "[test", "not valid TOML"),
        ('"bay-3.db"', '"~no-such-user/bay.db"', "write the whole path"),
        ('"bay-3.db"', '"a\\u0000b"', "no file's name has the character"),
        ("[test]", _ENGINE + _ENGINE + "[test]", "engines: two engines have the id 'single'."),
        ("[test]", _ENGINE + 'layout = "inlne_front"\n[test]', "Did you mean 'inline_front'?"),
        ("[test]", _GAUGE.format("a") + _GAUGE.format("b") + "[test]", "the gauges a and b have the same address"),
    ],
)
def test_a_mistake_is_told_with_its_place_and_the_way_out(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in SHOP
    message = refused(tmp_path, SHOP.replace(old, new, 1))
    assert said in message
    assert "shop.toml" in message or "none.toml" in message


def test_a_password_is_never_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broker = '[broker]\nhost = "127.0.0.1"\nusername = "bay"\n'
    monkeypatch.setenv("GAUGELINK_BROKER_PASSWORD", "hush-hush")
    shop = shop_in(tmp_path, SHOP + broker)
    assert "hush" not in repr(shop)
    report = check_shop(write_shop(tmp_path, SHOP + broker))
    assert report.mistakes == ()
    assert "hush" not in repr(report)
    assert 'password = "' not in refused(tmp_path, SHOP + broker + 'password = "hush-hush"\n')
    assert "hush" not in refused(tmp_path, SHOP + broker + 'password = "hush-hush"\n')


def test_check_names_what_will_not_work_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("GAUGELINK_BROKER_PASSWORD", raising=False)
    text = SHOP.replace("altitude_m = 200", "") + (
        '[broker]\nhost = "127.0.0.1"\nusername = "bay"\n[voice]\nprogram = "no-such-voice"\n'
    )
    report = check_shop(write_shop(tmp_path, text))
    assert report.mistakes == ()
    remarks = " ".join(report.remarks)
    assert "no-such-voice is not installed" in remarks
    assert "no password is set" in remarks
    assert "sea level will be assumed" in remarks


def test_check_says_every_mistake_of_the_shop_file_and_of_what_it_names(tmp_path: Path) -> None:
    (tmp_path / "engines").mkdir()
    text = 'fleet = "no-fleet.toml"\n' + SHOP.replace("F0:5A:00:00:00:01", "F0:5A").replace(
        'kind = "held"', 'kind = "held"\nlayout = "no-layout.toml"'
    )
    address, fleet, layout = check_shop(write_shop(tmp_path, text)).mistakes
    assert "gauges[0].address: found 'F0:5A'; expected: Bluetooth address, as F0:5A:00:00:00:01" in address
    assert "no-fleet.toml: there is no such fleet file" in fleet
    assert "no-layout.toml: there is no such layout file" in layout
    (tmp_path / "bay-3.db").mkdir()
    (*_, journal) = check_shop(write_shop(tmp_path, text)).mistakes
    assert "bench.journal" in journal
    (tmp_path / "bay-3.db").rmdir()
    good = text.replace('"F0:5A"', '"F0:5A:00:00:00:01"')
    assert check_shop(write_shop(tmp_path, good)).mistakes == (fleet, layout)


def test_check_says_what_is_wrong_in_a_fleet_that_a_shop_file_with_a_mistake_names(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text('[[machine]]\nid = "a"\nname = "A"\nengine = "none"\n', encoding="utf-8")
    text = 'fleet = "fleet.toml"\n[[gauges]]\nname = "amber"\naddress = "F0"\n'
    address, machine = check_shop(write_shop(tmp_path, text)).mistakes
    assert "gauges[0].address" in address
    assert "'none'" in machine


FLEET = """
[[machine]]
id = "north-8"
name = "North 8"
engine = "triple"
[[machine]]
id = "north-9"
name = "North 9"
engine = "tripel"
"""


def test_check_says_every_wrong_name_of_an_engine_or_machine_together_with_all_other_mistakes(tmp_path: Path) -> None:
    own = 'fleet = "fleet.toml"\n' + SHOP.replace('engine = "triple"', 'engine = "trible"')
    own = own.replace("repeats = 2", 'machine = "north-4"')
    (tmp_path / "fleet.toml").write_text(FLEET, encoding="utf-8")
    wrong = check_shop(write_shop(tmp_path, own)).mistakes
    assert len(wrong) == 3
    in_fleet, in_shop, machine = sorted(wrong)
    assert in_fleet.endswith("machine 'north-9' has the engine 'tripel'; known engines: triple.")
    assert in_shop.endswith("shop.toml: machine 'north-7' has the engine 'trible'; known engines: triple.")
    assert machine.endswith("test.machine: found 'north-4'; machines of the fleet: north-8, north-9, north-7.")
    (tmp_path / "fleet.toml").write_text(FLEET.replace("name", "nam", 1), encoding="utf-8")
    more = check_shop(write_shop(tmp_path, own.replace("altitude_m", "altitude"))).mistakes
    assert {one.replace("the file: ", "") for one in wrong} < {one.replace("the file: ", "") for one in more}
    assert len(more) == 6


def test_check_does_not_say_that_a_name_is_wrong_where_its_file_cannot_be_read(tmp_path: Path) -> None:
    own = 'fleet = "fleet.toml"\n' + SHOP.replace('engine = "triple"', 'engine = "trible"')
    own = own.replace("repeats = 2", 'machine = "north-8"')
    (missing,) = check_shop(write_shop(tmp_path, own)).mistakes
    assert "there is no such fleet file" in missing
    (tmp_path / "fleet.toml").write_text(FLEET.replace('"triple"', '"triple'), encoding="utf-8")
    (broken,) = check_shop(write_shop(tmp_path, own)).mistakes
    assert "fleet.toml: line 5: this is not valid TOML" in broken


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (PermissionError(errno.EACCES, "Permission denied"), "where this user may not write; give another place."),
        (OSError(errno.ELOOP, "Too many levels"), "its links lead round in a circle; give another place."),
    ],
)
def test_a_journal_that_cannot_be_looked_at_is_told_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, said: str
) -> None:
    """As in a folder of another user's: each command asked whether it is there, and ended in a traceback."""
    path, look = write_shop(tmp_path), os.stat

    def refuse(place: str | Path, *rest: Any, **more: Any) -> os.stat_result:
        if str(place).endswith("bay-3.db"):
            raise error
        return look(place, *rest, **more)

    monkeypatch.setattr(os, "stat", refuse)
    with pytest.raises(SettingsError, match=said):
        load_shop(path)


def test_a_layout_whose_name_no_file_can_have_is_told(tmp_path: Path) -> None:
    said = refused(tmp_path, SHOP.replace('kind = "held"', 'layout = "a\\u0000b"'))
    assert said.endswith(": the layout file cannot be read: embedded null byte.")


def test_two_engine_files_with_one_id_are_told_by_their_names(tmp_path: Path) -> None:
    """A copy of an engine's file, made for another engine, whose id was left."""
    copied = shutil.copytree(ROOT / "config", tmp_path / "my-shop")
    shutil.copy(copied / "engines" / "twin-437.toml", copied / "engines" / "twin-new.toml")
    (said,) = check_shop(copied / "shop.toml").mistakes
    assert said.endswith("twin-new.toml: id: found 'twin-437', which twin-437.toml has too; give each engine its own.")


def test_a_user_without_a_home_folder_is_asked_for_a_journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def homeless() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    monkeypatch.setattr(Path, "home", homeless)
    with pytest.raises(SettingsError, match="name a file for the record, journal in \\[bench\\]"):
        load_shop(write_shop(tmp_path, SHOP.replace('journal = "bay-3.db"\n', "")))


def test_check_asks_whether_a_barometer_is_in_inches_of_mercury(tmp_path: Path) -> None:
    def remarks(barometer: float) -> list[str]:
        text = SHOP.replace("altitude_m = 200", f"barometer_abs_kpa = {barometer}")
        return [one for one in check_shop(write_shop(tmp_path, text)).remarks if "barometer" in one]

    (remark,) = remarks(30.1)
    assert "that is 101.9 kPa" in remark
    assert remarks(61.0) == []


def test_check_remarks_that_nobody_stated_whether_a_live_gauge_averages(tmp_path: Path) -> None:
    live = SHOP.replace('kind = "held"', 'kind = "live"')
    (remark,) = (one for one in check_shop(write_shop(tmp_path, live)).remarks if "averaging_s" in one)
    assert "The gauge amber is live" in remark
    stated = live.replace('kind = "live"', 'kind = "live"\naveraging_s = 0')
    for text in (SHOP, stated):
        assert not any("averaging_s" in one for one in check_shop(write_shop(tmp_path, text)).remarks)


@pytest.mark.parametrize(
    ("kind", "lag_s", "said"),
    [
        ("live", "2", "lag_s: a lag of 2 s is more than any pressure gauge has. It is in seconds: 2 ms are 0.002."),
        ("held", "2", "lag_s: a lag of 2 s is more than any pressure gauge has."),
        ("live", "0.02", "lag_s: a lag of 0.02 s is longer than the strokes: at most 0.01 can be taken out"),
        ("auto", "0.05", "A gauge with a check valve may be as slow: state kind as held."),
    ],
)
def test_a_lag_that_cannot_be_taken_out_is_refused_with_the_way_out(
    tmp_path: Path, kind: str, lag_s: str, said: str
) -> None:
    text = SHOP.replace('kind = "held"', f'kind = "{kind}"\nlag_s = {lag_s}')
    (mistake,) = check_shop(write_shop(tmp_path, text)).mistakes
    assert "gauges[0]: " in mistake
    assert said in mistake


@pytest.mark.parametrize(("kind", "lag_s"), [("live", 0.01), ("auto", 0.002), ("held", 0.05)])
def test_a_lag_that_a_gauge_may_have_is_taken(tmp_path: Path, kind: str, lag_s: float) -> None:
    text = SHOP.replace('kind = "held"', f'kind = "{kind}"\nlag_s = {lag_s}')
    assert check_shop(write_shop(tmp_path, text)).mistakes == ()


def test_check_remarks_on_an_average_that_hides_the_tops(tmp_path: Path) -> None:
    def remarks(kind: str, averaging_s: float) -> list[str]:
        text = SHOP.replace('kind = "held"', f'kind = "{kind}"\naveraging_s = {averaging_s}')
        return [one for one in check_shop(write_shop(tmp_path, text)).remarks if "averages" in one]

    (remark,) = remarks("live", 0.05)
    assert "0.03 s is the most that can be taken out well" in remark
    assert remarks("live", 0.03) == remarks("held", 0.05) == []


def test_check_remarks_that_a_gauge_has_no_limits_of_error(tmp_path: Path) -> None:
    (remark,) = (one for one in check_shop(write_shop(tmp_path)).remarks if "accuracy_kpa" in one)
    assert "amber" in remark
    report = check_shop(write_shop(tmp_path, SHOP.replace('kind = "held"', 'kind = "held"\naccuracy_kpa = 10')))
    assert not any("accuracy_kpa" in one for one in report.remarks)


def test_check_shows_the_line_that_is_no_toml_as_a_part_of_its_mistake(tmp_path: Path) -> None:
    (mistake,) = check_shop(write_shop(tmp_path, SHOP.replace('name = "amber"', 'name = amber"'))).mistakes
    first, source, mark = mistake.splitlines()
    assert "shop.toml: line 8: this is not valid TOML" in first
    assert source == '    name = amber"'
    assert mark == "           ^"


def test_check_says_that_password_and_certificate_cannot_be_read_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("GAUGELINK_BROKER_PASSWORD", raising=False)
    broker = '[broker]\nhost = "127.0.0.1"\nusername = "bay"\npassword_file = "p"\ntls = true\nca_file = "ca"\n'
    password, certificate = check_shop(write_shop(tmp_path, SHOP + broker)).mistakes
    assert "password file" in password
    assert "certificate authority" in certificate


def test_check_says_that_what_is_at_the_journals_place_is_no_journal(tmp_path: Path) -> None:
    (tmp_path / "bay-3.db").write_text("time_s,pressure_kpa\n" * 40, encoding="utf-8")
    (mistake,) = check_shop(write_shop(tmp_path, SHOP)).mistakes
    assert "bench.journal" in mistake
    assert "cannot be opened as a journal" in mistake or "not a gaugelink journal" in mistake


def test_check_says_that_the_journals_folder_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    access = os.access
    monkeypatch.setattr(os, "access", lambda place, mode: place != tmp_path and access(place, mode))
    (mistake,) = check_shop(write_shop(tmp_path, SHOP)).mistakes
    assert "bay-3.db, where this user may not write" in mistake


@pytest.mark.parametrize(
    ("journal", "said"),
    [("folder", "which is a folder; name a file in it"), ("shop.toml/bay-3.db", "shop.toml is no folder")],
)
def test_check_says_that_a_journal_cannot_be_where_the_shop_file_has_it(
    tmp_path: Path, journal: str, said: str
) -> None:
    (tmp_path / "folder").mkdir()
    assert 'journal = "bay-3.db"' in SHOP
    text = SHOP.replace('journal = "bay-3.db"', f'journal = "{journal}"')
    (mistake,) = check_shop(write_shop(tmp_path, text)).mistakes
    assert "bench.journal" in mistake
    assert said in mistake


def test_run_takes_the_same_shop_file_as_the_other_commands_when_none_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for words in (["run"], ["report"], ["test", "finish"]):
        with pytest.raises(SettingsError, match=r"config/shop\.toml: there is no such shop file"):
            CliRunner().invoke(app, words, catch_exceptions=False)
