"""Refuses every connection of a Python process but those to its own machine, and notes each that was tried.

The tests load it into themselves; child processes load it by its name, since its folder stands first in PYTHONPATH.
An audit hook (PEP 578) sees what the socket module does, whoever calls it, and cannot be taken away again.
"""

import contextlib
import ipaddress
import os
import sys

NOTES = "COTYLE_TEST_NETWORK_NOTES"
"""Environment variable: file in which each refused attempt is noted, though its exception be swallowed."""

_CONNECTING = {"socket.connect", "socket.sendto", "socket.sendmsg"}
_NAMING = {"socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"}
_OWN_NAMES = {"", "localhost", "localhost.localdomain", "ip6-localhost"}


def _is_own(host, numbers_ask_nobody):
    host = host.decode("ascii", "replace") if isinstance(host, bytes | bytearray) else host
    if host is None or host in _OWN_NAMES:
        return True
    try:
        address = ipaddress.ip_address(str(host).split("%")[0])
    except ValueError:
        return False
    return numbers_ask_nobody or address.is_loopback or address.is_unspecified


def _refuse(event, args):
    if event in _CONNECTING:
        address = args[1]
        if not isinstance(address, tuple) or _is_own(address[0], False):  # names of local sockets are text
            return
        asked = address[0]
    elif event in _NAMING:
        if _is_own(args[0], True):
            return
        asked = args[0]
    else:
        return
    notes = os.environ.get(NOTES)
    if notes:
        with contextlib.suppress(OSError), open(notes, "a", encoding="utf-8") as file:  # noqa: PTH123
            file.write(f"{event} {asked!r}\n")
    raise PermissionError(f"tests reach no network: {event} {asked!r}")


sys.addaudithook(_refuse)
