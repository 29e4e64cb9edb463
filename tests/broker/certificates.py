"""A throw-away certificate authority and a certificate for a broker on this machine."""

import datetime
import ipaddress
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

_SIGNS_CERTIFICATES = x509.KeyUsage(
    digital_signature=False,
    content_commitment=False,
    key_encipherment=False,
    data_encipherment=False,
    key_agreement=False,
    key_cert_sign=True,
    crl_sign=False,
    encipher_only=False,
    decipher_only=False,
)
"""An authority must say so (RFC 5280, section 4.2.1.3), and Python 3.13 insists on it."""


@dataclass(frozen=True, slots=True)
class Certificates:
    """PEM files."""

    authority: Path
    certificate: Path
    key: Path


def make_certificates(folder: Path, host: str = "localhost") -> Certificates:
    """Make an authority and a certificate of `host` and 127.0.0.1, good for a day."""
    folder.mkdir(parents=True, exist_ok=True)
    authority_key = ec.generate_private_key(ec.SECP256R1())
    authority_name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Throw-away authority")])
    authority = (
        _builder(authority_name, authority_name)
        .public_key(authority_key.public_key())
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_SIGNS_CERTIFICATES, critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(authority_key.public_key()), critical=False)
        .sign(authority_key, hashes.SHA256())
    )
    key = ec.generate_private_key(ec.SECP256R1())
    names = [x509.DNSName(host)]
    addresses = [x509.IPAddress(ipaddress.ip_address("127.0.0.1"))] if host == "localhost" else []
    certificate = (
        _builder(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, host)]), authority_name)
        .public_key(key.public_key())
        .add_extension(x509.SubjectAlternativeName([*names, *addresses]), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()), critical=False)
        .sign(authority_key, hashes.SHA256())
    )
    files = Certificates(folder / "ca.pem", folder / "broker.pem", folder / "broker.key")
    files.authority.write_bytes(authority.public_bytes(serialization.Encoding.PEM))
    files.certificate.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    files.key.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return files


def _builder(subject: x509.Name, issuer: x509.Name) -> x509.CertificateBuilder:
    now = datetime.datetime.now(datetime.UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1))
        .not_valid_after(now + datetime.timedelta(days=1))
    )
