"""Who may be worked with on a cluster: an address is encrypted and both sides are known, or it stays on this machine.

A scheduler runs whatever code reaches it, so a plain `tcp://` address hands the machine to all who can connect. A
security file names what TLS takes, as paths from its own folder:

    ca: ca.pem           certificate that signed the scheduler's and the workers'
    cert: client.pem     this side's certificate, signed by the same
    key: client-key.pem  its key

The scheduler and the workers are started with the same kind of three:
`dask scheduler --tls-ca-file ca.pem --tls-cert scheduler.pem --tls-key scheduler-key.pem`.
"""

from __future__ import annotations

import ipaddress
import ssl
from dataclasses import dataclass
from pathlib import Path

import yaml

from sim.quantities.errors import HalfstopError, quoted

KEYS = ("ca", "cert", "key")
MOST_BYTES = 1 << 16
EXAMPLE = '"tls://192.168.1.20:8786"'


@dataclass(frozen=True)
class TlsFiles:
    """Files of one side of an encrypted connection, in PEM form."""

    ca: Path
    cert: Path
    key: Path


@dataclass(frozen=True)
class ClusterAccess:
    """A scheduler's address, and what makes it known: `tls`, None for a plain address that is allowed to be one."""

    address: str
    tls: TlsFiles | None


def access_from_options(address: str, security_file: Path | None, *, insecure: bool) -> ClusterAccess:
    """How a scheduler is reached; raises HalfstopError where others could take its place, or listen."""
    scheme, _, place = address.rpartition("://")
    what = f"--cluster {quoted(address)}"
    if scheme == "tls":
        if security_file is None:
            raise HalfstopError(f"{what}: tls:// takes certificates; name a file of them with --cluster-security FILE")
        return ClusterAccess(address, tls_files_from_file(security_file))
    if scheme not in ("", "tcp"):
        raise HalfstopError(f"{what}: expected tls://HOST:PORT, or tcp:// on this machine; write {EXAMPLE}")
    if security_file is not None:
        raise HalfstopError(f"{what}: --cluster-security goes with a tls:// address; write {EXAMPLE}")
    if not (insecure or _is_here(place)):
        raise HalfstopError(
            f"{what}: a plain address lets all who reach it run code there and here; write tls:// with "
            "--cluster-security FILE, or add --insecure-cluster on a network that is yours alone"
        )
    return ClusterAccess(address, None)


def _is_here(place: str) -> bool:
    """Whether a host and port are of this machine's loopback."""
    host = place.rpartition(":")[0].strip("[]")
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def tls_files_from_file(path: Path) -> TlsFiles:
    """The files that a security file names; raises HalfstopError unless they are there and belong together."""
    what = f"--cluster-security {quoted(path)}"
    try:
        with path.open("rb") as stream:
            text = stream.read(MOST_BYTES).decode("utf-8")
        block: object = yaml.safe_load(text)
    except OSError as error:
        raise HalfstopError(f"{what}: cannot be read ({error.strerror}); name a file with ca, cert and key") from None
    except (yaml.YAMLError, UnicodeDecodeError, RecursionError):
        raise HalfstopError(f"{what}: this is no YAML; write lines such as ca: ca.pem") from None
    if not isinstance(block, dict) or set(block) != set(KEYS) or not all(isinstance(v, str) for v in block.values()):
        raise HalfstopError(f"{what}: expected ca, cert and key, each with a file; write lines such as ca: ca.pem")
    files = TlsFiles(*(path.parent / block[key] for key in KEYS))
    try:
        context = ssl.create_default_context(cafile=str(files.ca))
        # Ask for no pass phrase on the terminal: an empty one is tried, and refused below.
        context.load_cert_chain(str(files.cert), str(files.key), password="")
    except ssl.SSLError as error:
        why = (error.reason or "unknown").replace("_", " ").lower()
        raise HalfstopError(f"{what}: certificates and key do not fit together ({why}); make them anew") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise HalfstopError(f"{what}: a file that it names cannot be read ({why}); correct the names") from None
    return files
