"""What simulating needs besides the product: the simulators, and the Bluetooth stack that they run on."""

from collections.abc import Iterator
from contextlib import contextmanager

from gaugelink.errors import GaugelinkError
from gaugelink.reasons import to_install


@contextmanager
def simulators_needed(by: str) -> Iterator[None]:
    """Import simulators inside this block: a bench with a real gauge is installed without what they need.

    Args:
        by: the command that simulates, for the message.

    Raises:
        GaugelinkError: a package that they need is not installed.
    """
    try:
        yield
    except ModuleNotFoundError as error:
        package = (error.name or "").partition(".")[0]
        raise GaugelinkError(
            f"{by} needs the package {package}, which is not installed: {to_install('sim')}."
        ) from error
