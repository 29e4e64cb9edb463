"""A key press becomes one key name, and a stray sequence becomes nothing."""

import pytest

from gaugelink.app.keys import key_names


@pytest.mark.parametrize(
    ("typed", "names"),
    [
        ("r", ["r"]),
        ("\r", ["Enter"]),
        ("\x1b[6~", ["PageDown"]),  # a presenter's forward button
        ("\x1bOM", ["Enter"]),  # the numpad's own Enter
        ("1\x1b[5~2", ["1", "PageUp", "2"]),
        ("\x1b[200;5~x", ["x"]),
        ("\x1b", []),
        ("\x1b[", []),
        ("\x00\x07", []),
    ],
)
def test_what_a_terminal_sends_becomes_key_names(typed: str, names: list[str]) -> None:
    assert key_names(typed) == names
