"""Why a file or a connection cannot be used is told in words, whatever library stood in between."""

import socket
import ssl
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from gaugelink.errors import SettingsError
from gaugelink.reasons import is_there, read_text, reason
from tests.unwritable import nobody_enters


def said(call: Callable[[], object]) -> str:
    with pytest.raises((OSError, UnicodeError)) as caught:
        call()
    return reason(caught.value)


def test_what_is_wrong_with_a_file_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "dial.toml").write_bytes(b"name = \xff\n")
    assert said((tmp_path / "none").read_text) == "there is no such file"
    assert said(tmp_path.read_text) == "it is a folder"
    assert said((tmp_path / "dial.toml" / "x").read_text) == "a part of its path is no folder"
    assert said(lambda: (tmp_path / "dial.toml").read_text(encoding="utf-8")) == "it is not text in UTF-8"
    assert said(lambda: (tmp_path / "dial.toml").touch(exist_ok=False)) == "there is such a file already"


def test_what_is_wrong_with_a_connection_is_told_in_words() -> None:
    with socket.socket() as taken, socket.socket() as other:
        taken.bind(("127.0.0.1", 0))
        address = taken.getsockname()
        assert said(lambda: other.connect(address)) == "nothing listens there"
        taken.listen()
        with socket.socket() as third:
            assert said(lambda: third.bind(address)) == "something else listens there already"
    assert reason(TimeoutError()) == "there is no answer"
    assert reason(socket.gaierror(-2, "Name or service not known")) == "there is no host of this name"
    assert "_ssl.c" not in reason(ssl.SSLError(1, "[SSL: WRONG_VERSION_NUMBER] wrong version number (_ssl.c:1006)"))


def test_what_the_system_said_is_found_behind_a_librarys_error() -> None:
    def wrapped() -> None:
        try:
            raise ConnectionRefusedError(111, "Connection refused")
        except OSError as error:
            raise RuntimeError(str(error)) from None

    with pytest.raises(RuntimeError) as caught:
        wrapped()
    assert reason(caught.value) == "nothing listens there"
    assert reason(RuntimeError("no answer to that")) == "no answer to that"


def test_a_file_that_cannot_be_read_is_told_with_its_place_and_what_it_is(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"none: there is no such shop file\.$"):
        read_text(tmp_path / "none", "shop file")
    with pytest.raises(SettingsError, match=r": the notebook cannot be read: it is a folder\.$"):
        read_text(tmp_path, "notebook")
    with pytest.raises(SettingsError, match=r": the notebook cannot be read: embedded null byte\.$"):
        read_text(tmp_path / "no\0book", "notebook")


def test_a_file_that_this_user_may_not_look_for_is_neither_there_nor_not(tmp_path: Path) -> None:
    assert not is_there(tmp_path / "journal.db", "journal")
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "journal.db"
        path.touch()
        assert is_there(path, "journal")
        with nobody_enters(Path(name)), pytest.raises(SettingsError) as caught:
            is_there(path, "journal")
    assert str(caught.value) == f"The journal {path} cannot be read: this user may not."
