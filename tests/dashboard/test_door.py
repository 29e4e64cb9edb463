"""Who may come in, and under which names the page may be asked for."""

from pathlib import Path

import pytest
from pydantic import SecretStr

from gaugelink.dashboard.door import TOKEN_VARIABLE, Door, find_token, is_loopback
from gaugelink.errors import SettingsError

TOKEN = SecretStr("a-token-that-is-long-enough")


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.9.1", "::1", "localhost"])
def test_loopback_needs_no_token(host: str) -> None:
    door = Door(host)
    assert is_loopback(host)
    assert not door.locked
    assert "for this machine alone" in door.sentence()


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "shop.example"])
def test_any_other_address_needs_one_and_says_so_in_a_sentence(host: str) -> None:
    with pytest.raises(SettingsError, match=r"other machines can reach the page, so it needs a token") as raised:
        Door(host)
    assert TOKEN_VARIABLE in str(raised.value)
    door = Door(host, token=TOKEN)
    assert "asks for the token" in door.sentence()
    assert "unencrypted" in door.sentence()
    assert "unencrypted" not in Door(host, token=TOKEN, tls=True).sentence()


def test_the_token_comes_from_the_environment_or_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "token"
    file.write_text("from-the-file-0123\nsecond line\n", encoding="utf-8")
    monkeypatch.delenv(TOKEN_VARIABLE, raising=False)
    assert find_token(None) is None
    found = find_token(file)
    assert found is not None
    assert found.get_secret_value() == "from-the-file-0123"
    monkeypatch.setenv(TOKEN_VARIABLE, "from-the-environment")
    found = find_token(file)
    assert found is not None
    assert found.get_secret_value() == "from-the-environment"
    assert "from-the-environment" not in repr(found)


def test_a_short_token_and_a_missing_file_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(TOKEN_VARIABLE, raising=False)
    with pytest.raises(SettingsError, match="cannot be read"):
        find_token(tmp_path / "nowhere")
    monkeypatch.setenv(TOKEN_VARIABLE, "short")
    with pytest.raises(SettingsError, match="at least 12"):
        find_token(None)


def test_the_token_is_compared_whole_and_an_empty_one_opens_nothing() -> None:
    door = Door("0.0.0.0", token=TOKEN)
    assert door.admits(TOKEN.get_secret_value())
    assert not door.admits(TOKEN.get_secret_value()[:-1])
    assert not door.admits("")
    assert not Door().admits("")


@pytest.mark.parametrize("host", ["127.0.0.1:8080", "localhost:8080", "[::1]:8080", "LOCALHOST:8080"])
def test_on_loopback_the_page_answers_to_loopback_names(host: str) -> None:
    assert Door().knows_host(host)


@pytest.mark.parametrize(
    "host",
    [
        "shop.example:8080",  # a stranger's name that was made to point here
        "127.0.0.1.shop.example:8080",
        "192.0.2.7:8080",
        "127.0.0.1",
        "127.0.0.1:8081",
        "127.0.0.1:80a",
        "127.0.0.1:" + "8" * 5000,
        "",
        ":8080",
        "[::1",
    ],
)
def test_on_loopback_it_answers_to_nothing_else(host: str) -> None:
    assert not Door().knows_host(host)


def test_for_other_machines_it_answers_to_addresses_and_the_names_that_were_given() -> None:
    door = Door("0.0.0.0", 8080, TOKEN, ("wall.shop.example",))
    assert door.knows_host("192.0.2.7:8080")
    assert door.knows_host("[2001:db8::7]:8080")
    assert door.knows_host("Wall.shop.example:8080")
    assert not door.knows_host("other.example:8080")
    assert Door("0.0.0.0", 443, TOKEN, ("wall.shop.example",), tls=True).knows_host("wall.shop.example")


def test_sessions_are_unguessable_bounded_and_can_be_ended() -> None:
    door = Door("0.0.0.0", token=TOKEN)
    first = door.open_session()
    assert len(first) >= 43
    assert door.has_session(first)
    door.close_session(first)
    assert not door.has_session(first)
    sessions = [door.open_session() for _ in range(300)]
    assert not door.has_session(sessions[0])
    assert door.has_session(sessions[-1])
