"""A private D-Bus bus: a dbus-daemon of our own, on a socket in a temporary directory."""

import asyncio
import shutil
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from gaugelink.errors import GaugeError

BUS_VARIABLE = "DBUS_SYSTEM_BUS_ADDRESS"
"""Environment variable that tells a program where its system bus is (D-Bus Specification, "System message bus")."""

_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>session</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/>
    <allow eavesdrop="true"/>
    <allow own="*"/>
  </policy>
</busconfig>
"""


@asynccontextmanager
async def private_bus() -> AsyncIterator[str]:
    """Run a bus until the block ends; gives its address.

    Raises GaugeError when there is no dbus-daemon or it does not start.
    """
    program = shutil.which("dbus-daemon")
    if program is None:
        raise GaugeError("dbus-daemon was not found. Install it: `sudo apt install dbus`.")
    with tempfile.TemporaryDirectory(prefix="gaugelink-bus-") as place:
        config = Path(place) / "bus.conf"
        config.write_text(_CONFIG.format(socket=Path(place) / "bus"))
        daemon = await asyncio.create_subprocess_exec(
            program,
            f"--config-file={config}",
            "--nofork",
            "--nopidfile",
            "--print-address=1",
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            # An interrupt from the terminal is for the programs on the bus; the bus outlives their last word.
            start_new_session=True,
        )
        assert daemon.stdout is not None
        assert daemon.stderr is not None
        try:
            address = (await daemon.stdout.readline()).decode().strip()
            if not address:
                said = (await daemon.stderr.read()).decode().strip()
                raise GaugeError(f"dbus-daemon did not start: {said}")
            yield address
        finally:
            if daemon.returncode is None:
                daemon.terminate()
            await daemon.communicate()
