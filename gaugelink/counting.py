"""A number of things in words."""


def counted(number: int, what: str) -> str:
    """A number of things: ``1 test``, ``2 tests``; `what` is one of them."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
