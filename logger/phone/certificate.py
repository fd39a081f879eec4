"""A certificate of one's own for this computer's address, made on the spot and kept for the next evening.

A browser hands out its motion sensor in a secure context only, and no authority vouches for an address in a home's
network. So the certificate vouches for itself: the browser warns once, and the player, who sees the same fingerprint on
this computer, may go on. The key is readable by its owner alone; one that others could have read is made anew.

References
----------
RFC 5280 (certificates), RFC 9525 (an address is named in the subject's alternative names); CA/Browser Forum baseline
requirements: no server certificate is valid for more than 398 days.
"""

from __future__ import annotations

import contextlib
import datetime
import ipaddress
import os
import stat
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.model.errors import OutputError
from logger.files.atomic_file import reason
from logger.files.missing_package import missing_package

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.x509 import Certificate

FOLDER = "phone"
VALID_DAYS = 397
LEAST_LEFT_DAYS = 30
NAME = "strokeplane on this computer"
OTHERS = stat.S_IRWXG | stat.S_IRWXO


@dataclass(frozen=True)
class OwnCertificate:
    """Where certificate and key are kept, and by what the certificate is known.

    Attributes
    ----------
    certificate, key : Path
        PEM files.
    fingerprint : str
        SHA-256 of the certificate, in pairs of hexadecimal digits, as browsers show it.
    made : bool
        Whether it was made just now; else it was kept from an earlier evening.
    """

    certificate: Path
    key: Path
    fingerprint: str
    made: bool


def certificate_for(address: str, folder: Path, today: datetime.datetime | None = None) -> OwnCertificate:
    """Find the certificate for an address, or make one.

    Parameters
    ----------
    address : str
        IP address of this computer in its network.
    folder : Path
        The program's settings folder.
    today : datetime, optional
        With a time zone; for tests.

    Returns
    -------
    OwnCertificate

    Raises
    ------
    InputError
        The package that makes certificates is not installed.
    OutputError
        The folder cannot be written.
    """
    try:
        import cryptography  # noqa: F401
    except ModuleNotFoundError as error:
        raise missing_package("A phone as the instrument's sensor", "cryptography", "phone") from error
    now = today or datetime.datetime.now(datetime.UTC)
    kept = folder / FOLDER
    name = address.replace(":", "-")
    paths = kept / f"{name}.crt.pem", kept / f"{name}.key.pem"
    found = _kept(*paths, address, now)
    if found is not None:
        return OwnCertificate(*paths, _fingerprint(found), made=False)
    try:
        kept.mkdir(parents=True, exist_ok=True)
        if sys.platform != "win32":
            kept.chmod(0o700)
        made = _make(*paths, address, now)
    except OSError as error:
        raise OutputError(
            f"the phone's certificate cannot be kept in {kept} ({reason(error)})",
            next_step="make the folder writable, or name another with STROKEPLANE_HOME",
        ) from error
    return OwnCertificate(*paths, _fingerprint(made), made=True)


def _kept(certificate: Path, key: Path, address: str, now: datetime.datetime) -> Certificate | None:
    """The certificate that is kept, if it is ours, fits its key, is valid for some weeks, and nobody read the key."""
    from cryptography import x509
    from cryptography.hazmat.primitives import serialization

    try:
        if sys.platform != "win32" and key.stat().st_mode & OTHERS:
            return None
        found = x509.load_pem_x509_certificate(certificate.read_bytes())
        private = serialization.load_pem_private_key(key.read_bytes(), password=None)
        names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (OSError, ValueError, TypeError, x509.ExtensionNotFound):
        return None
    left = found.not_valid_after_utc - now
    fits = found.public_key() == private.public_key()
    named = ipaddress.ip_address(address) in names.get_values_for_type(x509.IPAddress)
    begun = found.not_valid_before_utc <= now
    return found if fits and named and begun and left >= datetime.timedelta(days=LEAST_LEFT_DAYS) else None


def _make(certificate: Path, key: Path, address: str, now: datetime.datetime) -> Certificate:
    """Make key and certificate; the key is never on the disk where others could read it."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    private = ec.generate_private_key(ec.SECP256R1())
    made = _signed(private, address, now)
    text = private.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    partial = key.with_suffix(".part")
    with contextlib.suppress(FileNotFoundError):
        partial.unlink()
    with os.fdopen(os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(text)
    partial.replace(key)
    certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    return made


def _signed(private: EllipticCurvePrivateKey, address: str, now: datetime.datetime) -> Certificate:
    """A certificate that vouches for itself, for this address and nothing else."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, NAME)])
    usage = dict.fromkeys(
        (
            "content_commitment", "key_encipherment", "data_encipherment", "key_agreement", "key_cert_sign",
            "crl_sign", "encipher_only", "decipher_only",
        ),
        False,
    )  # fmt: skip
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        # A phone's clock may be behind.
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=VALID_DAYS - 1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.KeyUsage(digital_signature=True, **usage), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(private, hashes.SHA256())
    )


def _fingerprint(certificate: Certificate) -> str:
    from cryptography.hazmat.primitives import hashes

    digits = certificate.fingerprint(hashes.SHA256()).hex().upper()
    return ":".join(digits[at : at + 2] for at in range(0, len(digits), 2))
