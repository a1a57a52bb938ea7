"""The listening sockets and their TLS, with errors that say what to do.

May import the standard library only.
"""

import errno
import ipaddress
import socket
import ssl
from pathlib import Path


class ListenError(Exception):
    """The server cannot listen as asked; the message says why and what to do."""


def listen(address: str | None, port: int, receive_buffer_bytes: int | None = None) -> socket.socket:
    """Return a listening socket. address: None for every address of the machine, both families where there are two.

    port: 0 lets the system choose. receive_buffer_bytes: of every connection; None leaves it to the kernel, whose
    tuning a fixed size turns off. Raises ListenError.
    """
    sock = _bound(address, port)
    if receive_buffer_bytes is not None:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer_bytes)
    return sock


def _bound(address: str | None, port: int) -> socket.socket:
    try:
        if address is None:
            if socket.has_dualstack_ipv6():
                try:
                    return socket.create_server(("", port), family=socket.AF_INET6, dualstack_ipv6=True)
                except OSError as problem:
                    if problem.errno not in (errno.EADDRNOTAVAIL, errno.EAFNOSUPPORT):
                        raise
            return socket.create_server(("", port))
        found = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        return socket.create_server((address, port), family=found[0][0])
    except UnicodeError as problem:  # of the encoding of host names
        raise ListenError(f"--bind {address}: not an address of this machine") from problem
    except OSError as problem:
        raise ListenError(_explanation(address, port, problem)) from problem


def bound_address(sock: socket.socket) -> str | None:
    """Return the one address that a socket is bound to; None for all of the machine's."""
    host = str(sock.getsockname()[0])
    return None if ipaddress.ip_address(host.split("%", maxsplit=1)[0]).is_unspecified else host


def url_of(sock: socket.socket, tls: bool) -> str:
    """Return the base URL of a listening socket; a wildcard address as ``0.0.0.0`` or ``[::]``."""
    host, port = sock.getsockname()[:2]
    shown = f"[{host}]" if ipaddress.ip_address(host.split("%")[0]).version == 6 else host
    return f"{'https' if tls else 'http'}://{shown}:{port}"


def tls_context(certificate: Path, key: Path) -> ssl.SSLContext:
    """Return a context for the certificate chain and its key, both PEM. Raises ListenError."""
    for option, path in (("--tls-cert", certificate), ("--tls-key", key)):
        try:
            path.read_bytes()
        except OSError as problem:
            raise ListenError(f"{option} {path}: cannot be read: {problem.strerror}") from problem
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(certificate, key, password=_no_password)
    except ssl.SSLError as problem:
        if problem.reason == "KEY_VALUES_MISMATCH":
            raise ListenError(f"--tls-key {key}: is not the key of the certificate in {certificate}") from problem
        raise ListenError(
            f"--tls-cert {certificate}, --tls-key {key}: not a PEM certificate chain and its key ({problem.reason})"
        ) from problem
    except _EncryptedKey as problem:
        raise ListenError(f"--tls-key {key}: is encrypted; give a key without a pass phrase") from problem
    return context


class _EncryptedKey(Exception):
    pass


def _no_password() -> str:
    raise _EncryptedKey


def _explanation(address: str | None, port: int, problem: OSError) -> str:
    where = f"port {port}" if address is None else f"{address} port {port}"
    match problem:
        case socket.gaierror():
            return f"--bind {address}: not an address of this machine ({problem.strerror})"
        case _ if problem.errno == errno.EADDRINUSE:
            return f"{where} is in use, perhaps by another sitetest-server; stop that one or choose another --port"
        case _ if problem.errno == errno.EADDRNOTAVAIL:
            return f"--bind {address}: not an address of this machine"
        case _ if problem.errno == errno.EACCES:
            return f"{where}: not permitted; ports below 1024 need root, choose another --port"
        case _:
            return f"cannot listen on {where}: {problem.strerror}"
