"""This machine's addresses on the home network, found without sending anything."""

from __future__ import annotations

import contextlib
import ipaddress
import socket

# The system's routing table is asked which of our addresses would be used towards each of these;
# connecting a UDP socket sends no packet. 192.0.2.1 is reserved for documentation (RFC 5737).
_TOWARDS = ("192.168.255.254", "10.255.255.254", "172.31.255.254", "192.0.2.1")


def lan_addresses() -> tuple[str, ...]:
    """Return the private IPv4 addresses of this machine, the one most likely to be reached first."""
    found = [address for target in _TOWARDS if (address := _used_towards(target))]
    with contextlib.suppress(OSError):
        found += socket.gethostbyname_ex(socket.gethostname())[2]
    return tuple(address for address in dict.fromkeys(found) if _is_home(address))


def _used_towards(target: str) -> str | None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((target, 9))
        except OSError:
            return None
        address: str = asking.getsockname()[0]
        return address


def _is_home(address: str) -> bool:
    parsed = ipaddress.ip_address(address)
    return parsed.is_private and not parsed.is_loopback and not parsed.is_link_local
