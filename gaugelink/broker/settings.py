"""Where the broker is and how it is reached: the ``[broker]`` part of the shop file. No secret stands in it."""

import logging
import ssl
from typing import Self

from pydantic import Field, SecretStr, model_validator

from gaugelink.errors import SettingsError
from gaugelink.password import read_password
from gaugelink.paths import FilePath
from gaugelink.reasons import reason
from gaugelink.settings import Settings

_LOG = logging.getLogger(__name__)

PASSWORD_VARIABLE = "GAUGELINK_BROKER_PASSWORD"
"""Environment variable that holds the broker's password."""

_LOOPBACK = {"127.0.0.1", "::1", "localhost"}


class BrokerSettings(Settings):
    """The broker that the bench publishes to."""

    embedded: bool = False
    """Run a small broker inside this process, on loopback. For a demo, or a bench that has no broker of its own."""
    host: str = Field(default="127.0.0.1", min_length=1, max_length=253)
    """Host name or address of the broker."""
    port: int = Field(default=1883, ge=0, le=65535)
    """TCP port; with `embedded`, 0 takes a free one. MQTT over TLS commonly uses 8883."""
    tls: bool = False
    """Encrypt the connection and check the broker's certificate and its name."""
    ca_file: FilePath | None = None
    """Certificate authority to trust instead of the system's, PEM."""
    username: str | None = Field(default=None, min_length=1, max_length=255)
    password_file: FilePath | None = None
    """File whose first line is the password. The environment variable GAUGELINK_BROKER_PASSWORD goes before it."""
    keepalive_s: int = Field(default=10, ge=2, le=600)
    """Seconds of silence after which either side takes the other for gone."""
    settle_s: float | None = Field(default=None, ge=0, le=60)
    """Seconds to wait after connecting before what is stored is sent, so that subscribers of a broker that keeps no
    sessions can be back first. None: 2 s for the embedded broker, which keeps none, and 0 s for any other."""
    drain_per_s: float = Field(default=400.0, gt=0, le=10_000)
    """Messages a second at most while a backlog is sent. A broker drops messages for a subscriber that falls too far
    behind (mosquitto: 1000 messages), and it acknowledges them to the publisher all the same."""

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.ca_file is not None and not self.tls:
            raise ValueError("ca_file is given but tls is off: set tls = true")
        if self.password_file is not None and self.username is None:
            raise ValueError("password_file is given without a username: add username")
        if self.embedded:
            if self.host not in _LOOPBACK:
                raise ValueError(f"the embedded broker listens on loopback only, found host {self.host!r}: remove host")
            if self.tls or self.username is not None:
                raise ValueError("the embedded broker has no tls and no username: remove them, or set embedded = false")
        elif self.port == 0:
            raise ValueError("port 0 is for the embedded broker only: give the broker's port, commonly 1883")
        return self

    @property
    def settle(self) -> float:
        """Seconds to wait after connecting before what is stored is sent."""
        if self.settle_s is not None:
            return self.settle_s
        return 2.0 if self.embedded else 0.0

    def password(self) -> SecretStr | None:
        """Fetch the password from the environment or its file; None when there is neither.

        Raises:
            SettingsError: the file cannot be read or is empty.
        """
        if self.username is None:
            return None
        return read_password("The broker's", PASSWORD_VARIABLE, self.password_file)

    def tls_context(self) -> ssl.SSLContext | None:
        """Make the context that checks the broker's certificate; None without TLS.

        Raises:
            SettingsError: the certificate authority cannot be read.
        """
        if not self.tls:
            if self.username is not None and self.host not in _LOOPBACK:
                _LOG.warning("The broker's password crosses the network unencrypted: set tls = true.")
            return None
        try:
            return ssl.create_default_context(cafile=self.ca_file)
        except (OSError, ssl.SSLError) as error:
            raise SettingsError(
                f"The certificate authority {self.ca_file} cannot be read ({_of_certificate(error)}): give a PEM file."
            ) from error


def _of_certificate(error: OSError) -> str:
    return "it is not a certificate" if isinstance(error, ssl.SSLError) else reason(error)
