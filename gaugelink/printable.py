"""Text from outside (a name on the air, a field of a message) before it goes to a terminal or into a log."""


def printable(text: str, most: int = 200) -> str:
    """Write what is not printed as Python writes it, ``\\x1b`` for an escape, and leave out what is past `most`.

    A terminal obeys such characters, and a new line in a log looks like a line of its own.
    """
    shown = "".join(one if one.isprintable() else repr(one)[1:-1] for one in text[:most])
    return shown if len(text) <= most else f"{shown}…"
