"""The socket of the page: whether an address can be had is known before anything else is loaded."""

import errno
import socket

from windowwatch.errors import InputError


def listening(host: str, port: int) -> socket.socket:
    """A socket that listens, on a port of the machine's choice for 0.

    Raises
    ------
    InputError
        If the address is not ours, or the port in use.
    """
    try:
        family, _, _, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        return socket.create_server(address[:2], family=family, backlog=128)
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise InputError(
                f"the page cannot listen on {host}, port {port}: it is in use, perhaps by another "
                f"windowwatch; end that one, or give another: --port {port % 65535 + 1}"
            ) from error
        raise InputError(
            f"the page cannot listen on {host}, port {port} ({error.strerror or error}); "
            "give another --host or --port"
        ) from error
