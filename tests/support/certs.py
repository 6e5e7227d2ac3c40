"""A certificate authority of the test's own, a server's and a client's certificate."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID


@dataclass(frozen=True)
class Pair:
    """A certificate and its key, as files."""

    certificate: Path
    key: Path


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


class Authority:
    """Signs certificates; `certificate` is what others are told to trust."""

    def __init__(self, folder: Path, name: str = "test authority") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = _name(name)
        extension = x509.BasicConstraints(ca=True, path_length=0)
        usage = x509.KeyUsage(
            digital_signature=False, content_commitment=False, key_encipherment=False, data_encipherment=False,
            key_agreement=False, key_cert_sign=True, crl_sign=True, encipher_only=False, decipher_only=False,
        )  # fmt: skip
        made = self._builder(self._name, self._key).add_extension(extension, critical=True).add_extension(usage, True)
        self.certificate = folder / "ca.pem"
        self.certificate.write_bytes(made.sign(self._key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))

    def _builder(self, name: x509.Name, key: ec.EllipticCurvePrivateKey) -> x509.CertificateBuilder:
        now = datetime.now(UTC)
        return (
            x509.CertificateBuilder()
            .subject_name(name)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=1))
            .not_valid_after(now + timedelta(days=2))
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        )

    def sign(self, name: str, *, server: bool) -> Pair:
        """Make a key and a certificate for it; a server's is for loopback."""
        key = ec.generate_private_key(ec.SECP256R1())
        use = ExtendedKeyUsageOID.SERVER_AUTH if server else ExtendedKeyUsageOID.CLIENT_AUTH
        made = (
            self._builder(_name(name), key)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(x509.ExtendedKeyUsage([use]), critical=False)
            .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()), critical=False)
        )
        if server:
            names = [x509.DNSName("localhost"), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
            made = made.add_extension(x509.SubjectAlternativeName(names), critical=False)
        pair = Pair(self._folder / f"{name}.pem", self._folder / f"{name}.key")
        pair.certificate.write_bytes(made.sign(self._key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))
        pair.key.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        pair.key.chmod(0o600)
        return pair
